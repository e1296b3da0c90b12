// What the scripts of the page share: elements, words, numbers.
import { language, words } from "/words.js";

export const el = (id) => document.getElementById(id);
export const show = (id, text) => { const e = el(id); if (e.textContent !== text) e.textContent = text; };
export const known = (x) => x !== null && x !== undefined;

/// The text of that name, with what stands in braces put in. A text that is missing shows its name.
export const say = (name, values = {}) =>
  (words[name] ?? name).replace(/\{(\w+)\}/g, (all, key) => (key in values ? values[key] : all));
export const has = (name) => name in words;

const formats = {};
const format = (n) => (formats[n] ??= new Intl.NumberFormat(language,
  { minimumFractionDigits: n, maximumFractionDigits: n }));
/// With n decimals and a true minus; "–" for what is not known.
export const digits = (x, n) =>
  (known(x) ? format(n).format(Math.abs(x) < 0.5 / 10 ** n ? 0 : x).replace("-", "−") : "–");
export const whole = (x) => digits(known(x) ? Math.round(x) : x, 0);

export const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
export const kindName = (kind) => (kind ? say("kind." + kind) : "");

/// Fills in the fixed texts: data-say names that of an element, data-say-LABEL that of an attribute.
export const fillWords = () => {
  document.documentElement.lang = language.slice(0, 2);
  document.title = say("title");
  for (const e of document.querySelectorAll("[data-say]")) e.textContent = say(e.dataset.say);
  for (const e of document.querySelectorAll("[data-label]")) e.setAttribute("aria-label", say(e.dataset.label));
  for (const e of document.querySelectorAll("[data-none]")) e.placeholder = say(e.dataset.none);
};

// ---- numbers as they are typed -----------------------------------------------------------------
const decimal = format(1).format(1.5)[1];
let units = {};
export const setUnits = (of) => { units = of || {}; };
/// Can the logger read this in that unit? It parses (read_quantity); this only says so before.
/// Nothing typed is fine; below zero is nothing that can be.
export const fitsNumber = (text, unit) => {
  if (!text.trim()) return true;
  const found = /^\+?(\d+(?:[.,]\d+)?(?:e[+-]?\d+)?|\d+\/[1-9]\d*)(.*)$/i.exec(text.trim());
  if (!found) return false;
  const [, number, rest] = found;
  if (number.includes(",") && decimal !== ",") return false;
  if (decimal === "," && /^[1-9]\d{0,2}\.\d{3}$/.test(number)) return false;  // a thousand and a half?
  const word = rest.replace(/[\s·*]/g, "");
  return !word || (units[unit] || []).includes(word);
};
/// A field for a number with its unit.
export const numberField = (field, unit) => {
  Object.assign(field, { type: "text", inputMode: "decimal", maxLength: 30 });
  field.dataset.unit = unit;
  return field;
};
export const fieldFits = (field) =>
  (field.dataset.unit === undefined ? field.checkValidity() : fitsNumber(field.value, field.dataset.unit));
/// The unit at the end of a name, "inertia_kgm2" or "arm-mm".
export const unitOf = (name) => name.split(/[-_]/).at(-1);

// ---- orders --------------------------------------------------------------------------------------
/// An order to the logger: {refused: sentence or "", ...what it answered}.
export const order = async (path, body) => {
  try {
    const answer = await fetch(path, { method: "POST", body: JSON.stringify(body) });
    const text = (await answer.text()).trim();
    return answer.ok ? { refused: "", ...JSON.parse(text || "{}") } : { refused: text };
  } catch {
    return { refused: say("no answer") };
  }
};
/// The sentence of its refusal, or nothing.
export const post = async (path, body) => (await order(path, body)).refused;

/// A list that is made anew only when what it shows has changed.
export const item = (text, mark) => {
  const li = document.createElement("li");
  li.textContent = text;
  if (mark) li.dataset.mark = mark;
  return li;
};
export const fillList = (id, items, key) => {
  if (el(id).dataset.key === key) return;
  el(id).dataset.key = key;
  el(id).replaceChildren(...items());
};

// ---- figures with limits --------------------------------------------------------------------------
/// Decimals so that the interval's half width has two digits.
export const places = (e) => {
  const half = known(e.low) && known(e.high) ? (e.high - e.low) / 2 : Math.abs(e.value) / 100;
  return half > 0 ? Math.max(0, Math.min(9, 1 - Math.floor(Math.log10(half)))) : 0;
};
export const estimate = (e) => {
  if (!e || !known(e.value)) return "–";
  const n = places(e), unit = unitWord(e.unit);
  if (!known(e.low) || !known(e.high)) return `${digits(e.value, n)} ${unit}`;
  return say("answer.limits", { value: digits(e.value, n), low: digits(e.low, n), high: digits(e.high, n), unit });
};
export const unitWord = (unit) => {
  const word = unit === "1/min" ? "rpm" : unit || "";
  return has("unit." + word) ? say("unit." + word) : word;
};
