// The bench page: takes the state from /state as it comes and shows it. Names from the book enter
// the page as text only, never as markup.
import { digits, el, fillWords, has, kindName, known, say, show, unitWord, whole } from "/basis.js";
import { alarm, silence } from "/alarm.js";
import { answer } from "/answer.js";
import { calibration } from "/calibrate.js";
import { evening, last } from "/evening.js";
import { interval, isEnough } from "/interval.js";
import { bench, order, stopOrders } from "/order.js";
import { addPoints, coverage, layout } from "/plots.js";

fillWords();

// ---- figures ---------------------------------------------------------------------------------
const wheelKinds = ["top-speed", "driven"];  // of these the hand wheel's speed is the result
const figure = (id, text, long = text.length > 6) => { show(id, text); el(id).classList.toggle("long", long); };
const small = (id, text) => { el(id + "-box").hidden = !text; show(id, text); };
const ago = (utc) => {
  const minutes = Math.max(0, (Date.now() - Date.parse(utc)) / 60000);
  if (!(minutes < 1e9)) return "";
  if (minutes < 1) return say("ago.now");
  if (minutes < 90) return say("ago.minutes", { n: Math.round(minutes) });
  return minutes < 2880 ? say("ago.hours", { n: Math.round(minutes / 60) }) : say("ago.days", { n: Math.round(minutes / 1440) });
};
const zero = (state) => {
  const counts = whole(state.zero_counts);
  if (known(state.zero_counts) && known(state.zero_drift_nm))
    return say("zero.drift", { counts, mnm: digits(1000 * state.zero_drift_nm, 1) });
  if (known(state.zero_counts)) return say("zero.counts", { counts });
  if (state.phase === "recording") return known(state.reading.torque_counts) ? say("zero.wanted") : "–";
  const last = state.bench.zero;
  return last ? say("zero.taken", { counts: whole(last.mean_counts), ago: ago(last.made_utc) }) : say("zero.none");
};
const standstill = (state) => {
  if (!state.standstill_watched) return "";
  if (state.standstill_watched !== true) return say("standstill." + state.standstill_watched);
  if (!known(state.standstill_left_s)) return "";
  return say(state.standstill_s > 0 ? "standstill.left" : "standstill.allowed", { s: digits(state.standstill_left_s, 1) });
};
const limitOf = (state, of) => {
  const name = state.phase === "recording" ? state.mounted[of] : el(of).value;
  return ((state.bench.limits || {})[of] || {})[name];
};
const figures = (state) => {
  const r = state.reading;
  const byWheel = known(r.handwheel_rpm) && (!known(r.motor_rpm) || wheelKinds.includes(state.kind));
  show("speed-name", say(byWheel ? "hand wheel" : "motor speed"));
  show("wheel-name", say(byWheel ? "motor" : "hand wheel"));
  const limit = limitOf(state, byWheel ? "machine" : "motor");
  show("speed-unit", limit ? say("limit", { rpm: whole(limit) }) : unitWord("rpm"));
  figure("rpm", whole(byWheel ? r.handwheel_rpm : r.motor_rpm));
  const counts = !known(r.torque_nm) && known(r.torque_counts);
  figure("torque", counts ? whole(r.torque_counts) : digits(r.torque_nm, 3), counts);
  show("torque-unit", counts ? say("torque.counts") : "N·m");
  figure("power", digits(r.power_w, known(r.power_w) && Math.abs(r.power_w) < 99.95 ? 1 : 0));
  const other = byWheel ? r.motor_rpm : r.handwheel_rpm;
  small("wheel", known(other) ? `${whole(other)} ${unitWord("rpm")}` : "");
  small("supply", known(r.supply_v) ? digits(r.supply_v, 1) + " V" : "");
  small("temperature", known(r.temperature_c) ? digits(r.temperature_c, 1) + " °C" : "");
  show("zero", zero(state));
  small("standstill", standstill(state));
  el("standstill-box").classList.toggle("held", state.standstill_s > 0);
  show("samples", whole(state.samples));
  show("lost", state.damaged ? say("lost.damaged", { lost: whole(state.lost), damaged: whole(state.damaged) }) : whole(state.lost));
  el("lost-box").classList.toggle("some", state.lost + state.damaged > 0);
};

const strip = (state) => {
  const recording = state.phase === "recording";
  const phase = state.phase === "idle" && state.rig_trouble ? "no rig" : state.phase;
  el("strip").dataset.phase = phase;
  show("phase", say("phase." + phase));
  const parts = Object.values(state.mounted).join(", ");
  const silent = known(state.silent_s) ? say("silent", { s: whole(state.silent_s) }) : "";
  const what = recording ? [kindName(state.kind), parts, state.run ? say("run", state) : say("first sample"), silent]
    : [state.message, state.rig_trouble];
  show("what", what.filter(Boolean).join(" · "));
  show("clock", recording && state.reading.elapsed_s ? digits(state.reading.elapsed_s, 1) + " s" : "");
};

// The next thing for the hands, legible from where they are.
const hint = (state) => {
  const c = state.coverage;
  const recording = state.phase === "recording";
  if (recording && isEnough(state)) return show("hint", say("hint.enough"));
  const name = c && recording ? "hint." + c.hint : "";
  show("hint", has(name) ? say(name, { from: whole(c.from_rpm), to: whole(c.to_rpm) }) : "");
};

// A bar that stays at the screen's edge must hide nothing: the page is longer by its height.
new ResizeObserver(([bar]) => document.documentElement.style.setProperty("--bar", `${Math.ceil(bar.borderBoxSize[0].blockSize)}px`))
  .observe(el("bar"));

const source = new EventSource("/state");
source.onmessage = (event) => {
  const state = JSON.parse(event.data);
  for (const part of [bench, strip, alarm, figures, coverage, hint, interval, calibration, order, layout, last, evening, answer, addPoints]) part(state);
  document.body.dataset.phase = state.phase;
};
source.onerror = () => {
  el("strip").dataset.phase = document.body.dataset.phase = "no rig";
  show("phase", say("phase.lost"));
  show("what", say("lost"));
  for (const id of ["clock", "hint", "why"]) show(id, "");
  for (const id of ["rpm", "torque", "power"]) figure(id, "–");  // what is stale is not shown as now
  for (const id of ["wheel", "supply", "temperature", "standstill"]) small(id, "");
  silence();
  stopOrders();
};
