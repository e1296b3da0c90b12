// Torque over speed as it fills in, and speed over time.
import { css, el, known, say, show } from "/basis.js";
import { language } from "/words.js";

Chart.defaults.locale = language;
Chart.defaults.font.family = getComputedStyle(document.body).fontFamily;
Chart.defaults.font.size = 13;
const axis = (text) => ({
  type: "linear", beginAtZero: true, title: { display: true, text, color: css("--soft") },
  grid: { color: css("--grid") }, ticks: { color: css("--soft"), maxTicksLimit: 8 },
});
const options = (x, y) => ({
  animation: false, responsive: true, maintainAspectRatio: false, events: [],
  plugins: { legend: { display: false }, tooltip: { enabled: false } },
  scales: { x: axis(x), y: axis(y) },
});
// Speeds at which points are missing are hatched where the points would lie.
let gaps = [];
const hatch = () => {
  const tile = document.createElement("canvas");
  tile.width = tile.height = 10;
  const pen = tile.getContext("2d");
  pen.strokeStyle = css("--soft");
  pen.globalAlpha = 0.45;
  for (const x of [-10, 0, 10]) { pen.moveTo(x, 10); pen.lineTo(x + 10, 0); }
  pen.stroke();
  return tile;
};
const missing = {
  id: "missing",
  beforeDatasetsDraw(chart) {
    const { ctx, chartArea, scales } = chart;
    ctx.save();
    ctx.beginPath();
    ctx.rect(chartArea.left, chartArea.top, chartArea.width, chartArea.height);
    ctx.clip();
    for (const [from, to] of gaps) {
      const left = scales.x.getPixelForValue(from);
      ctx.fillStyle = ctx.createPattern(hatch(), "repeat");
      ctx.fillRect(left, chartArea.top, scales.x.getPixelForValue(to) - left, chartArea.height);
    }
    ctx.restore();
  },
};
const scatter = new Chart(el("scatter"), {
  type: "scatter",
  data: { datasets: [
    { data: [], pointRadius: 9, borderWidth: 3, pointStyle: "crossRot" },
    { data: [], pointRadius: 2.4, pointStyle: "circle" },
  ] },
  options: options(say("axis.speed"), say("axis.torque")),
  plugins: [missing],
});
const time = new Chart(el("time"), {
  type: "line",
  data: { datasets: [
    { data: [], pointRadius: 0, borderWidth: 2.5 },
    { data: [], pointRadius: 0, borderWidth: 2.5, borderDash: [7, 4] },
  ] },
  options: options(say("axis.time"), say("axis.any speed")),
});
time.options.scales.y.suggestedMax = scatter.options.scales.x.suggestedMax = 100;
scatter.options.scales.y.suggestedMax = 0.01;
const [now, readings] = scatter.data.datasets, [motor, wheel] = time.data.datasets;
const recolour = () => {
  for (const chart of [scatter, time]) {
    for (const scale of Object.values(chart.options.scales)) {
      scale.title.color = scale.ticks.color = css("--soft");
      scale.grid.color = css("--grid");
    }
  }
  readings.borderColor = readings.backgroundColor = css("--torque");
  now.borderColor = now.backgroundColor = css("--ink");
  motor.borderColor = css("--speed");
  wheel.borderColor = css("--torque");
  scatter.update(); time.update();
};
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", recolour);
recolour();

export const addPoints = (state) => {
  const lists = [readings.data, motor.data, wheel.data];
  if (state.anew) for (const list of lists) list.length = 0;
  for (const [t, rpm, handwheel, torque] of state.points) {
    if (known(rpm) && known(torque)) readings.data.push({ x: rpm, y: torque, t });
    if (known(rpm)) motor.data.push({ x: t, y: rpm, t });
    if (known(handwheel)) wheel.data.push({ x: t, y: handwheel, t });
  }
  if (known(state.first_s))
    for (const list of lists) while (list.length && list[0].t < state.first_s) list.shift();
  const starts = [motor, wheel].filter((set) => set.data.length).map((set) => set.data[0].t);
  time.options.scales.x.min = starts.length ? Math.floor(Math.min(...starts)) : 0;
  now.data.length = 0;
  const r = state.reading, live = state.phase === "recording" || state.phase === "idle";
  if (live && known(r.motor_rpm) && known(r.torque_nm)) now.data.push({ x: r.motor_rpm, y: r.torque_nm });
  // Noise around zero is no reason for half a plot below it.
  const torques = readings.data.map((p) => p.y);
  const least = torques.reduce((a, b) => Math.min(a, b), 0), most = torques.reduce((a, b) => Math.max(a, b), 0.01);
  scatter.options.scales.y.min = least > -0.1 * most ? 0 : undefined;
  if (state.points.length || state.anew || state.phase !== el("scatter").dataset.phase) {
    scatter.update("none");
    time.update("none");
  }
  el("scatter").dataset.phase = state.phase;
  el("scatter").dataset.points = readings.data.length;
  el("time").dataset.points = Math.max(motor.data.length, wheel.data.length);
  el("motor-key").hidden = !motor.data.length;
  el("wheel-key").hidden = !wheel.data.length;
  // What a plot holds after a run is that run, not what goes on now.
  el("scatter-key").hidden = !live;
  const past = state.phase === "ended" && state.last && state.last.run;
  for (const id of ["scatter", "time"]) show(id + "-name", past ? say("of run", { what: say(id), run: state.last.run }) : say(id));
};

export const coverage = (state) => {
  const c = state.coverage;
  gaps = [];
  el("scatter").dataset.covered = c ? c.counts.filter((n) => n >= c.enough).length : "";
  if (c && c.highest_rpm > 0) {
    const step = c.highest_rpm / c.counts.length;
    c.counts.forEach((n, i) => { if (c.hint && n < c.enough) gaps.push([i * step, (i + 1) * step]); });
  }
};

// Torque over speed is what a brake run fills in; for other kinds the time has the room.
export const layout = (state) => {
  const settled = state.phase === "ended" && state.last;
  const kind = state.phase === "recording" ? state.kind : settled ? state.last.kind : el("kind").value;
  el("plots").classList.toggle("time-only", kind !== "brake" && Boolean(kind));
};
