// The load cell is calibrated: masses one after the other, and what they say so far.
import { digits, el, estimate, fieldFits, known, numberField, order, post, say, show, whole } from "/basis.js";

numberField(el("mass"), "g");
/// Begins a calibration.
export const calibrate = async () => show("do-note", await post("/task", { task: "calibrate" }));

const cell = (text) => {
  const td = document.createElement("td");
  td.textContent = text;
  return td;
};
const rows = (c) => c.points.map((p, i) => {
  const tr = document.createElement("tr"), drop = document.createElement("button");
  drop.type = "button";
  drop.textContent = "×";
  drop.setAttribute("aria-label", say("cal.drop", { n: i + 1 }));
  drop.addEventListener("click", () => post("/task", { task: "calibrate-drop", index: i }));
  const last = document.createElement("td");
  last.append(drop);
  tr.append(cell(digits(p.mass_g, p.mass_g % 1 ? 1 : 0)), cell(say(p.up ? "cal.up" : "cal.down")), cell(digits(p.counts, 1)),
    cell(digits(p.sd_counts, 1)), cell(known(p.residual_counts) ? digits(p.residual_counts, 1) : "–"), last);
  return tr;
});
const figures = (c) => (c.slope ? [
  ["cal.slope", estimate({ ...c.slope, value: c.slope.value * 1e6, unit: "µN",
    low: known(c.slope.low) ? c.slope.low * 1e6 : null, high: known(c.slope.high) ? c.slope.high * 1e6 : null })],
  ["cal.zero", estimate({ ...c.zero, unit: "" })], ["cal.nonlinearity", estimate(c.nonlinearity)],
  ["cal.hysteresis", estimate(c.hysteresis)], ["cal.repeatability", estimate(c.repeatability)],
] : []);
/// What to do with the hands.
const wanted = (c) => {
  if (c.taking) return say("cal.taking", { g: digits(c.taking.mass_g, c.taking.mass_g % 1 ? 1 : 0), s: digits(c.taking.left_s, 0) });
  if (c.points.length === 0) return say("cal.first");
  const heaviest = Math.max(...c.points.map((p) => p.mass_g)), last = c.points.at(-1);
  if (c.points.length < 3) return say("cal.more");
  if (!c.points.some((p) => !p.up)) return say("cal.then down");
  return last.mass_g > 0 && heaviest > 0 ? say("cal.down to none") : say("cal.enough");
};

let shown = "";
export const calibration = (state) => {
  const c = state.calibration, hidden = !c || state.phase === "recording";
  el("calibration").hidden = hidden;
  if (hidden) { shown = ""; return; }
  el("cal-read").disabled = el("cal-keep").disabled = Boolean(c.taking);
  show("cal-now", wanted(c));
  const key = JSON.stringify([c.points, c.slope, c.why]);
  if (key === shown) return;
  if (!shown) el("mass").focus();
  shown = key;
  el("cal-points").replaceChildren(...rows(c));
  el("cal-table").hidden = c.points.length === 0;
  el("cal-figures").replaceChildren(...figures(c).flatMap(([name, text]) => {
    const dt = document.createElement("dt"), dd = document.createElement("dd");
    dt.textContent = say(name);
    dd.textContent = text;
    return [dt, dd];
  }));
  show("cal-note", c.why || (c.warnings || []).slice(1).join(" · "));
  el("cal-keep").hidden = !c.slope;
};
el("cal-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const field = el("mass"), mass = field.value.trim();
  if (!mass || !fieldFits(field)) return show("cal-note", say("cal.no number"));
  const { refused } = await order("/task", { task: "calibrate-point", mass });
  show("cal-note", refused);
  if (!refused) field.value = "";
  field.focus();
});
el("cal-keep").addEventListener("click", async () => show("cal-note", await post("/task", { task: "calibrate-keep" })));
el("cal-leave").addEventListener("click", async () => show("cal-note", await post("/task", { task: "calibrate-leave" })));
