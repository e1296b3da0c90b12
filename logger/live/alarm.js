// What must be done now, as large as the figures, by shape, words, colour and sound.
import { digits, el, known, say, show, whole } from "/basis.js";

// ---- sound: browsers allow it once the page has been touched ---------------------------------
let audio = null, off = false, sounding = "", next = 0;
const beep = (hz, at, length) => {
  const tone = audio.createOscillator(), level = audio.createGain();
  tone.type = "square";
  tone.frequency.value = hz;
  level.gain.value = 0.25;
  tone.connect(level).connect(audio.destination);
  tone.start(audio.currentTime + at);
  tone.stop(audio.currentTime + at + length);
};
// Each kind by its rhythm, not by its pitch alone: [seconds between, [Hz, from, length]…].
const rhythms = {
  over: [0.8, [988, 0, 0.15], [988, 0.2, 0.15], [988, 0.4, 0.15]],
  held: [0.8, [740, 0, 0.35], [988, 0.4, 0.35]],
  near: [2, [660, 0, 0.2]],
  off: [0.5, [880, 0, 0.3]],
};
const touch = () => {
  audio ??= new AudioContext();
  audio.resume();
};
for (const event of ["pointerdown", "keydown"]) addEventListener(event, touch, { once: true });
const sound = (kind) => {
  sounding = kind;
  document.body.dataset.sound = kind;
  const ready = audio && audio.state === "running";
  show("sound", say(off ? "sound.off" : ready ? "sound.on" : "sound.wanted"));
  el("sound").setAttribute("aria-pressed", String(!off));
  const rhythm = rhythms[kind];
  if (!rhythm || off || !ready || performance.now() < next) return;
  const [every, ...tones] = rhythm;
  for (const tone of tones) beep(...tone);
  next = performance.now() + every * 1000;
};

// ---- words ------------------------------------------------------------------------------------
const calm = (text) => ({ look: "calm", text });
const warning = (text, kind) => ({ look: "near", text, sound: kind });
const urgent = (text, kind) => ({ look: "urgent", text, sound: kind });

const ofSpeed = (a) => {
  const text = say(`alarm.${a.over ? "over" : "near"}.${a.of}`, { rpm: whole(a.rpm), limit: whole(a.limit_rpm) });
  return a.over ? urgent(text, "over") : warning(text, "near");
};

/// Between runs the logger does not know what is mounted; the form does. An alarm lasts a while,
/// so that it can be read.
let idle = null, idleUntil = 0;
export const idleAlarm = (state) => {
  const limits = state.bench.limits || {}, r = state.reading;
  let worst = null;
  for (const [of, rpm] of [["motor", r.motor_rpm], ["machine", r.handwheel_rpm]]) {
    const limit = (limits[of] || {})[el(of).value];
    if (!limit || !known(rpm) || rpm <= limits.near_share * limit) continue;
    const a = { of, rpm, limit_rpm: limit, over: rpm > limit };
    if (!worst || (a.over && !worst.over)) worst = a;
  }
  const now = performance.now();
  if (worst) { idle = worst; idleUntil = now + 1500; } else if (now > idleUntil) idle = null;
  return idle;
};

const verdict = (slip) => {
  const said = say("slip." + slip.verdict), creep = slip.creep_speed.value;
  return known(creep) ? say("slip.creeps", { verdict: said, rpm: whole(creep) }) : said;
};

const needed = (state) => {
  const recording = state.phase === "recording";
  const speed = recording ? state.speed_alarm : idleAlarm(state);
  if (recording) {
    if (state.book_trouble) return urgent(say("alarm.book", { why: state.book_trouble }), "held");
    if (state.unplugged) return urgent(say("alarm.unplugged"), "held");
    if (state.standstill_too_long) return urgent(say("alarm.held too long"), "held");
  }
  if (speed && speed.over) return ofSpeed(speed);
  if (recording) {
    if (state.standstill_s > 0.1) return warning(say("alarm.held", { s: digits(state.standstill_left_s, 1) }), "");
    const left = state.slip_left_s, on = state.switch_on_in_s;
    if (known(left)) return left > 0 ? urgent(say("alarm.switch off in", { s: digits(left, 1) }), "") : urgent(say("alarm.switch off"), "off");
    if (known(on)) return on > 0 ? calm(say("alarm.switch on in", { s: Math.ceil(on) })) : urgent(say("alarm.switch on"), "");
  }
  if (speed) return ofSpeed(speed);
  const slip = state.phase === "ended" && state.last && state.last.slip;
  return slip ? calm(verdict(slip)) : null;
};

export const alarm = (state) => {
  const what = needed(state);
  el("alarm").hidden = !what;
  el("alarm").dataset.look = what ? what.look : "";
  show("alarm-text", what ? what.text : "");
  sound((what && what.sound) || "");
};
export const silence = () => { el("alarm").hidden = true; sound(""); };

el("sound").addEventListener("click", () => {
  const was = audio && audio.state === "running";
  touch();
  if (was) off = !off;
  if (!off) audio.resume().then(() => beep(660, 0, 0.12));
  sound(sounding);
});
sound("");
