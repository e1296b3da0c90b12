// The last run and what it is worth; then the way from a question to its answer.
import { digits, el, has, kindName, known, post, say, show, whole } from "/basis.js";
import { fillIn, takePlan } from "/order.js";

// ---- the last run ------------------------------------------------------------------------------
const wholes = ["rpm", "of_rpm", "edges", "counts", "lost", "levels"];
const shown = (figures) => Object.fromEntries(Object.entries(figures).map(([name, x]) =>
  [name, wholes.includes(name) ? whole(x) : digits(x, Math.abs(x) < 0.1 ? 3 : Math.abs(x) < 10 ? 2 : 0)]));
const item = (text, mark) => {
  const li = document.createElement("li");
  li.textContent = text;
  if (mark) li.dataset.mark = mark;
  return li;
};
const fillList = (id, items, key) => {
  if (el(id).dataset.key === key) return;
  el(id).dataset.key = key;
  el(id).replaceChildren(...items());
};

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
  el("evening").hidden = state.phase === "recording" || !state.may_start;
  if (state.phase !== phaseBefore) afterRun(state);
  if (el("evening").hidden) return;
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
  if (open) showDo(state, next);
  tell(state);
};
el("subject").addEventListener("change", () => { stepsKey = ""; if (latest) evening(latest); });

const showDo = (state, next) => {
  const working = state.answer && state.answer.state === "working";
  el("do").disabled = working;
  if (working) show("do", say("do.working"));
  else if (!next) show("do", say("do.ask"));
  else if (["motor", "machine", "pulleys", "belts"].includes(next.what)) show("do", say("do.enter"));
  else if (next.what.endsWith("-curve")) show("do", say("do.fit", next));
  else show("do", say("do.run", { step: say("step." + next.what, next) }));
};

// ---- doing the next step -----------------------------------------------------------------------
const ask = async (question, subject) => show("do-note", await post("/ask", { question, subject }));
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
  motor: () => enter("motor"),
  machine: () => enter("machine"),
  belts: () => enter("belt"),
  pulleys: () => enter("pulley"),
};
el("do").addEventListener("click", () => {
  const next = nextOf(stepsOf(latest));
  show("do-note", "");
  if (!next) return ask(asked, el("subject").value);
  const deed = deeds[next.what];
  if (!deed) return show("do-note", say("do.terminal"));
  deed(next);
  if (!next.what.endsWith("-curve") && !el("entry").open) show("do-note", say("do.filled"));
});

// ---- entering a part ---------------------------------------------------------------------------
const text = { required: true, maxLength: 80 }, number = { type: "number", step: "any", min: 0 };
const entries = {
  motor: { name: text, type: ["series", "permanent-magnet", "induction", "unknown"], "rated-v": number, "max-rpm": number },
  machine: { name: text, "stroke-mm": number, "max-rpm": number },
  belt: { name: text, section: ["v", "round", "link", "flat"], "width-mm": number, "height-mm": number, "round-mm": number },
  pulley: { name: text, role: ["motor", "hand"], "pitch-mm": number, "bore-mm": number },
};
let entering = "";
const enter = (kind) => {
  entering = kind;
  show("entry-name", say("entry." + kind));
  el("entry-fields").replaceChildren(...Object.entries(entries[kind]).map(([name, how]) => {
    const label = document.createElement("label"), field = document.createElement(Array.isArray(how) ? "select" : "input");
    label.textContent = say("field." + name) + " ";
    if (name === "name") label.className = "wide";
    if (Array.isArray(how)) field.append(...how.map((value) => new Option(say(`${name}.${value}`), value)));
    else Object.assign(field, how);
    field.name = name;
    label.append(field);
    return label;
  }));
  el("entry").showModal();
};
el("entry").addEventListener("close", async () => {
  if (el("entry").returnValue !== "enter") return;
  const fields = {};
  let name = "";
  for (const field of el("entry-fields").querySelectorAll("input, select")) {
    if (field.name === "name") name = field.value.trim();
    else if (field.value !== "") fields[field.name] = field.type === "number" ? Number(field.value) : field.value;
  }
  show("do-note", await post("/task", { task: "part", kind: entering, name, fields }));
});

/// What came of the last task.
const tell = (state) => {
  const told = state.told;
  if (!told || told.number === toldBefore) return;
  const first = toldBefore === 0 && told.number > 1;
  toldBefore = told.number;
  if (first) return;  // it was told before this page was opened
  if (told.refused) return show(told.refused.startsWith("run") ? "aside-note" : "do-note", told.refused);
  if (told.done === "entered") show("do-note", say("entry.entered", told));
};
