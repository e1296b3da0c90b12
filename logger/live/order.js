// The next run: what is chosen, why it cannot start yet, and the orders to start and stop.
import { digits, el, fieldFits, has, kindName, known, numberField, order as send, post, say, setUnits, show, unitOf } from "/basis.js";
import { isMeant } from "/entry.js";
import { layout } from "/plots.js";

const parts = ["motor", "machine", "belt", "motor_pulley", "hand_pulley"];
const numbers = ["for_s", "slip_check", "inertia_kgm2", "added_inertia_kgm2", "supply_v"];
for (const id of numbers) if (id !== "slip_check") numberField(el(id), unitOf(id));
let latest = null, filled = "", busyBefore = false;

const fill = (id, names, text) => {
  const select = el(id), chosen = select.value, first = select.options.length === 0;
  select.replaceChildren(...(text ? [] : [new Option("–", "")]), ...names.map((n) => new Option(text ? text(n) : n, n)));
  if (names.includes(chosen)) select.value = chosen;
  else if (!text && first && names.length === 1) select.value = names[0];
};
const planWords = (plan) => {
  if (plan.done) return "";
  if (plan.kind !== "slip-check") return say("plan.speed", plan);
  if (plan.again) return say("plan.again", plan);
  const mount = plan.motor_pulley ? say("plan.mount on", { belt: plan.belt, pulley: plan.motor_pulley }) : say("plan.mount", plan);
  return mount + say("plan.check");
};
export const bench = (state) => {
  latest = state;
  const key = JSON.stringify(state.bench);
  if (key === filled) return;
  filled = key;
  const b = state.bench;
  setUnits(b.units);
  fill("kind", b.kinds || [], kindName);
  for (const id of parts) fill(id, b[id.endsWith("pulley") ? "pulleys" : id + "s"] || []);
  const plan = b.plan;
  el("plan-box").hidden = !plan;
  if (plan) {
    show("plan-name", say(plan.done ? "plan.done" : "plan.step", plan));
    show("plan", planWords(plan));
    el("plan-take").hidden = plan.done || !state.may_start;
  }
  fitForm();
};

/// Shows the fields that go with the kind of run. `anew`: its cautions are to be read once more.
const fitForm = (anew) => {
  const kind = el("kind").value;
  for (const field of document.querySelectorAll("[data-for]"))
    field.hidden = !field.dataset.for.split(" ").includes(kind);
  if (latest && known(latest.reading.supply_v)) el("supply-field").hidden = true;
  const text = ((latest && latest.bench.cautions) || {})[kind] || "";
  el("cautions-box").hidden = el("read-box").hidden = !text;
  if (el("cautions").textContent !== text) { show("cautions", text); anew = true; }
  if (anew) el("read").checked = false;
};
const changed = () => { fitForm(); show("complaint", ""); if (latest) { layout(latest); order(latest); } };
el("kind").addEventListener("change", () => { fitForm(true); changed(); });
el("order").addEventListener("input", changed);

/// Puts a run into the form: kind, parts, numbers as the book names them.
export const fillIn = (wish) => {
  el("kind").value = wish.kind;
  for (const key of parts) if (key in wish) el(key).value = wish[key] || "";
  for (const key of numbers) if (key in wish) el(key).value = wish[key] || "";
  fitForm(true);
  changed();
  el("read-box").scrollIntoView({ block: "nearest" });
  el(el("read-box").hidden ? "start" : "read").focus({ preventScroll: true });
};
/// The plan's next step into the form; false when there is none.
export const takePlan = () => {
  const plan = latest.bench.plan;
  if (!plan || plan.done) return false;
  fillIn({ ...plan, slip_check: plan.slip_check || "" });
  return true;
};
el("plan-take").addEventListener("click", takePlan);

/// Why no run can begin yet, in words; empty when it can.
const reason = (state) => {
  const kind = el("kind").value;
  if (state.rig_trouble) return say("why.no rig");
  const lack = (state.rig_lacks || {})[kind];
  if (lack) return say("why.lacks", { lack: has("lack." + lack) ? say("lack." + lack) : lack });
  for (const anyOf of (state.bench.needs || {})[kind] || [])
    if (!anyOf.some((id) => el(id).value)) return say("why." + anyOf.join(" or "));
  for (const id of numbers) {
    const field = el(id);
    if (!field.closest("label").hidden && !fieldFits(field)) return say("why.number", { field: say(id) });
  }
  if (!el("read-box").hidden && !el("read").checked) return say("why.cautions");
  return "";
};

const used = (id) => !el(id).closest("label").hidden && el(id).value;
el("order").addEventListener("submit", async (event) => {
  event.preventDefault();
  if (el("start").disabled) return;
  const wish = { kind: el("kind").value, cautions_read: el("read").checked };
  for (const key of parts) if (used(key)) wish[key] = el(key).value;
  for (const key of numbers) if (used(key)) wish[key] = key === "slip_check" ? Number(el(key).value) : el(key).value;
  let said = await send("/start", wish);
  if (said.odd && await isMeant(said.odd.map(({ field, value }) =>
    say("odd.inertia", { field: say(field), value: digits(value, value < 10 ? 3 : 0) }))))
    said = await send("/start", { ...wish, meant: true });
  show("complaint", said.refused);
});
el("stop").addEventListener("click", async () => show("complaint", await post("/stop", {})));

const mountedList = (state) => {
  const list = [[say("kind"), kindName(state.kind)], ...Object.entries(state.mounted).map(([k, v]) => [say(k), v])];
  const key = JSON.stringify(list);
  if (el("mounted").dataset.key === key) return;
  el("mounted").dataset.key = key;
  el("mounted").replaceChildren(...list.flatMap(([name, value]) => {
    const dt = document.createElement("dt"), dd = document.createElement("dd");
    dt.textContent = name; dd.textContent = value;
    return [dt, dd];
  }));
};

export const order = (state) => {
  const busy = state.phase === "recording";
  if (busyBefore && !busy) fitForm(true);  // cautions are seen to for one run only
  busyBefore = busy;
  const why = busy || !state.may_start ? "" : reason(state);
  el("start").disabled = busy || !state.may_start || Boolean(why);
  el("stop").disabled = !busy;
  el("start").hidden = !state.may_start;
  const uncalibrated = !busy && !why && state.may_start && el("kind").value === "brake" && !state.bench.calibrated;
  show("why", why || (uncalibrated ? say("why.uncalibrated") : ""));
  show("order-name", say(busy ? "order.mounted" : state.may_start ? "order.next" : "order.this"));
  el("fields").hidden = busy || !state.may_start;
  el("plan-box").hidden = busy || !state.bench.plan;
  el("mounted").hidden = !busy;
  if (busy) mountedList(state);
  if (busy || !state.may_start) el("cautions-box").hidden = el("read-box").hidden = true;
};
export const stopOrders = () => { el("start").disabled = el("stop").disabled = true; };
