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

/// An order to the logger; the sentence of its refusal, or nothing.
export const post = async (path, body) => {
  try {
    const answer = await fetch(path, { method: "POST", body: JSON.stringify(body) });
    return answer.ok ? "" : (await answer.text()).trim();
  } catch {
    return say("no answer");
  }
};
