// How well is known by now what the run is for, and whether going on would help.
import { digits, el, places, say, show, unitWord, whole } from "/basis.js";

const line = (points) => {
  const last = points.at(-1)[0], most = Math.max(...points.map(([, percent]) => percent));
  return points.map(([s, percent]) => `${(200 * s / last).toFixed(1)},${(44 - 40 * percent / most).toFixed(1)}`).join(" ");
};
/// Going on would make the figure no surer, and no part of the speed range is empty.
export const isEnough = (state) => {
  const i = state.interval, c = state.coverage;
  return Boolean(i && i.enough && (!c || c.hint === "all"));
};
export const interval = (state) => {
  const i = state.interval, hidden = !i || state.phase !== "recording" || !i.points.length;
  el("interval").hidden = hidden;
  if (hidden) return;
  const n = places({ value: i.value, low: i.value - i.half_width, high: i.value + i.half_width });
  const percent = i.points.map(([, p]) => p);
  show("interval-figure", say("interval." + i.figure, { value: digits(i.value, n), half: digits(i.half_width, n),
    unit: unitWord(i.unit), rpm: whole(i.rpm) }));
  show("interval-trend", percent.length < 2 ? say("interval.first", { percent: digits(percent.at(-1), 1) })
    : say("interval.trend", { from: digits(percent[0], 1), percent: digits(percent.at(-1), 1) }));
  el("interval-line").setAttribute("points", percent.length < 2 ? "" : line(i.points));
  el("interval").dataset.glances = percent.length;
  el("interval").dataset.enough = isEnough(state);
};
