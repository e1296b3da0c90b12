// The last run and what it is worth; then the way from a question to its answer.
import { digits, el, fieldFits, fillList, item, kindName, known, numberField, order, post, say, show, unitOf, whole } from "/basis.js";
import { calibrate } from "/calibrate.js";
import { enter, isMeant } from "/entry.js";
import { fillIn, takePlan } from "/order.js";

// ---- the last run ------------------------------------------------------------------------------
const wholes = ["rpm", "of_rpm", "edges", "counts", "lost", "levels"];
const shown = (figures) => Object.fromEntries(Object.entries(figures).map(([name, x]) =>
  [name, wholes.includes(name) ? whole(x) : digits(x, Math.abs(x) < 0.1 ? 3 : Math.abs(x) < 10 ? 2 : 0)]));
let latest = null;
export const last = (state) => {
  latest = state;
  const run = state.last;
  el("last-box").hidden = !run || state.phase === "recording" || !known(run.quality);
  if (el("last-box").hidden) return;
  show("last-name", say("last", { run: run.run, kind: kindName(run.kind) }));
  const slip = run.slip, verdict = slip ? (slip.verdict === "set" ? "good" : "repeat") : run.quality.verdict;
  el("verdict").dataset.look = verdict;
  show("verdict-text", slip ? say("slip." + slip.verdict) : say("quality." + verdict));
  const findings = run.quality.findings;
  fillList("findings", () => findings.map((f) => item(say("found." + f.code, shown(f.figures)), f.weight)), JSON.stringify(findings));
  el("aside").hidden = !state.may_start;
  show("aside", say(run.aside ? "aside.undo" : "aside.do"));
  show("aside-note", run.aside ? say("aside.note") : "");
  const lines = [run.sentence, ...run.summary.split("\n").map((line) => line.trim()), ...(run.warnings || [])];
  show("last", [...new Set(lines.filter(Boolean))].join("\n"));
  if (slip && slip.verdict === "set") el("slip_check").placeholder = say("slip_check.last", run);
};
el("aside").addEventListener("click", async () =>
  show("aside-note", await post("/task", { task: "aside", run: latest.last.run, aside: !latest.last.aside })));

// ---- the question ------------------------------------------------------------------------------
const questions = ["motor", "machine", "belts", "choice"];
let asked = "", stepsKey = "", toldBefore = 0;
const partOf = (question) => (question === "motor" ? "motor" : "machine");
for (const question of questions) {
  const button = document.createElement("button");
  button.type = "button";
  button.dataset.question = question;
  button.textContent = say("ask." + question);
  button.setAttribute("aria-pressed", "false");
  button.addEventListener("click", () => { asked = question; stepsKey = ""; if (latest) evening(latest); });
  el("questions").append(button);
}
const stepsOf = (state) => {
  const ofSubjects = (state.bench.evening || {})[asked] || {};
  return ofSubjects[el("subject").value] || [{ what: partOf(asked), subject: "", done: false, needed: true }];
};
const nextOf = (steps) => steps.find((step) => step.needed && !step.done);
const stepWords = (step) => {
  const text = say("step." + step.what, step);
  return step.needed || step.done ? text : say("step.better", { step: text });
};

/// A run has ended (or begun): what it was about is asked about next, unless something else was.
let phaseBefore = "";
const questionOf = { brake: "motor", "no-load": "motor", "spin-up": "motor", "coast-down": "machine", driven: "machine", "top-speed": "belts", "slip-check": "belts" };
const afterRun = (state) => {
  if (phaseBefore) show("do-note", "");
  phaseBefore = state.phase;
  if (state.phase === "ended" && state.last) asked ||= questionOf[state.last.kind] || "";
};

export const evening = (state) => {
  latest = state;
  el("evening").hidden = state.phase === "recording" || !state.may_start || state.calibration !== null;
  if (state.phase !== phaseBefore) afterRun(state);
  if (el("evening").hidden) return tell(state);
  for (const button of el("questions").children)
    button.setAttribute("aria-pressed", String(button.dataset.question === asked));
  const key = JSON.stringify([asked, state.bench.evening, el("subject").value, state.answer]);
  if (key === stepsKey) return tell(state);
  stepsKey = key;
  const open = Boolean(asked), names = Object.keys((state.bench.evening || {})[asked] || {});
  el("subject-box").hidden = !open || names.length === 0;
  show("subject-name", open ? say(partOf(asked)) : "");
  const chosen = el("subject").value || el(partOf(asked || "motor")).value;
  el("subject").replaceChildren(...names.map((name) => new Option(name, name)));
  if (names.includes(chosen)) el("subject").value = chosen;
  const steps = open ? stepsOf(state) : [], next = nextOf(steps);
  fillList("steps", () => steps.map((step) => item(stepWords(step), step.done ? "done" : step === next ? "next" : step.needed ? "open" : "better")),
    JSON.stringify(steps));
  el("do").hidden = !open;
  el("aims").hidden = asked !== "choice" || Boolean(next);
  if (open) showDo(state, next);
  tell(state);
};
el("subject").addEventListener("change", () => { stepsKey = ""; if (latest) evening(latest); });

const showDo = (state, next) => {
  const working = state.answer && state.answer.state === "working";
  el("do").disabled = working;
  if (working) show("do", say("do.working"));
  else if (!next) show("do", say("do.ask"));
  else if (["rig", "motor", "machine", "pulleys", "belts"].includes(next.what)) show("do", say("do.enter"));
  else if (next.what.endsWith("-curve")) show("do", say("do.fit", next));
  else show("do", say("do.run", { step: say("step." + next.what, next) }));
};

// ---- doing the next step -----------------------------------------------------------------------
const aimFields = [...el("aims").querySelectorAll("input")];
for (const field of aimFields) numberField(field, unitOf(field.id));
const ask = async (question, subject) => {
  const wish = { question, subject };
  if (question === "choice") {
    const wrong = aimFields.find((field) => !fieldFits(field));
    if (wrong) return show("do-note", say("entry.number", { field: say("aim." + wrong.id) }));
    wish.aims = Object.fromEntries(aimFields.filter((field) => field.value.trim()).map((field) => [field.id, field.value]));
  }
  show("do-note", await post("/ask", wish));
};
const entered = (kind) => enter(kind, kind === "rig" ? latest.rig_says : null, (said) => show("do-note", said.refused));
const deeds = {
  brake: (step) => fillIn({ kind: "brake", motor: step.subject }),
  "coast-down": (step) => fillIn({ kind: "coast-down", machine: step.subject, motor: "", added_inertia_kgm2: "" }),
  disc: (step) => {
    fillIn({ kind: "coast-down", machine: step.subject, motor: "" });
    el("added_inertia_kgm2").focus();
  },
  "top-speed": (step) => takePlan() || fillIn({ kind: "slip-check", machine: step.subject }),
  "motor-curve": (step) => ask("motor", step.subject),
  "drag-curve": (step) => ask("machine", step.subject),
  rig: () => entered("rig"),
  calibration: calibrate,
  motor: () => entered("motor"),
  machine: () => entered("machine"),
  belts: () => entered("belt"),
  pulleys: () => entered("pulley"),
};
const runs = ["brake", "coast-down", "disc", "top-speed"];
el("do").addEventListener("click", () => {
  const next = nextOf(stepsOf(latest));
  show("do-note", "");
  if (!next) return ask(asked, el("subject").value);
  deeds[next.what](next);
  if (runs.includes(next.what)) show("do-note", say("do.filled"));
});

/// What came of the last task; what looks odd is asked about, and the task sent again if it is meant.
const tell = async (state) => {
  const told = state.told;
  if (!told || told.number === toldBefore) return;
  const first = toldBefore === 0 && told.number > 1;
  toldBefore = told.number;
  if (first) return;  // it was told before this page was opened
  if (told.asks) {
    if (await isMeant(told.asks)) show("do-note", (await order("/task", { ...told.task, meant: true })).refused);
    return;
  }
  const calibrating = state.calibration !== null;
  if (told.refused) return show(told.of === "aside" ? "aside-note" : calibrating ? "cal-note" : "do-note", told.refused);
  if (told.done === "entered" || told.done === "calibrated") show("do-note", say("done." + told.done, told));
};
