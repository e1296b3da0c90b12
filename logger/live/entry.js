// Entering a part of the bench, and asking once more about what looks odd.
import { el, fieldFits, fillList, item, numberField, order, say, show, unitOf } from "/basis.js";

const text = "text";
const entries = {
  rig: { name: text, "arm-mm": 0, "arm-sd-mm": 0, cell: ["brake", "motor"] },
  motor: { name: text, type: ["series", "permanent-magnet", "induction", "unknown"], "rated-v": 0, "max-rpm": 0 },
  machine: { name: text, "stroke-mm": 0, "max-rpm": 0 },
  belt: { name: text, section: ["v", "round", "link", "flat"], "width-mm": 0, "height-mm": 0, "round-mm": 0 },
  pulley: { name: text, role: ["motor", "hand"], "pitch-mm": 0, "bore-mm": 0 },
};
let entering = "", given = () => {};
const fields = () => [...el("entry-fields").querySelectorAll("input, select")];
/// Opens the dialog for a part; `preset` fills fields in, `done(sentence)` hears of a refusal.
export const enter = (kind, preset, done) => {
  [entering, given] = [kind, done];
  show("entry-name", say("entry." + kind));
  show("entry-why", "");
  el("entry-fields").replaceChildren(...Object.entries(entries[kind]).map(([name, how]) => {
    const label = document.createElement("label"), choice = Array.isArray(how);
    const field = document.createElement(choice ? "select" : "input");
    label.textContent = say("field." + name) + " ";
    if (name === "name" || choice) label.className = "wide";
    if (choice) field.append(...how.map((value) => new Option(say(`${name}.${value}`), value)));
    else if (how === text) Object.assign(field, { required: true, maxLength: 80 });
    else numberField(field, unitOf(name));
    field.name = name;
    if (preset && preset[name] !== undefined) field.value = preset[name];
    label.append(field);
    return label;
  }));
  el("entry").showModal();
};
const leave = () => { el("entry").close("leave"); };
el("entry-leave").addEventListener("click", leave);
el("entry-form").addEventListener("submit", async (event) => {
  const wrong = fields().find((field) => !fieldFits(field));
  if (wrong) {
    event.preventDefault();
    show("entry-why", say("entry.number", { field: say("field." + wrong.name) }));
    wrong.focus();
    return;
  }
  const sent = {};
  for (const field of fields()) if (field.value.trim()) sent[field.name] = field.value.trim();
  const { name, ...rest } = sent;
  given(await order("/task", { task: "part", kind: entering, name, fields: rest }));
});

// ---- what looks odd but may be meant ---------------------------------------------------------------
/// Shows what looks odd; true when the person means it.
export const isMeant = (sentences) => new Promise((answered) => {
  fillList("meant-list", () => sentences.map((sentence) => item(sentence)), JSON.stringify(sentences));
  const box = el("meant");
  box.returnValue = "";
  box.addEventListener("close", () => answered(box.returnValue === "yes"), { once: true });
  box.showModal();
});
