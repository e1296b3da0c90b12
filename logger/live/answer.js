// The answer to a question, as loadline-fit gave it: a sentence, a curve, figures with limits.
import { css, digits, el, estimate as figure, has, kindName, known, places, say, show, whole } from "/basis.js";

const axis = (title) => ({
  type: "linear", beginAtZero: true, title: { display: true, text: title, color: css("--soft") },
  grid: { color: css("--grid") }, ticks: { color: css("--soft"), maxTicksLimit: 8 },
});
let chart = null, numberShown = 0;
const draw = (answer, of) => {
  const rows = answer.curve_rows || [];
  el("answer-plot").hidden = rows.length < 2;
  if (chart) chart.destroy();
  chart = null;
  if (rows.length < 2) return;
  const line = (column) => rows.map((row) => ({ x: row[0], y: row[column] }));
  const colour = css(of === "motor" ? "--torque" : "--speed"), soft = colour + "33";
  const [from, to] = [answer.speed_range.low, answer.speed_range.high];
  chart = new Chart(el("answer-chart"), {
    type: "scatter",
    data: { datasets: [
      { data: line(2), showLine: true, pointRadius: 0, borderWidth: 0, fill: "+1", backgroundColor: soft },
      { data: line(3), showLine: true, pointRadius: 0, borderWidth: 0 },
      // What was not measured is dashed.
      { data: line(1), showLine: true, pointRadius: 0, borderWidth: 3, borderColor: colour,
        segment: { borderDash: (at) => (at.p0.parsed.x < from || at.p1.parsed.x > to ? [6, 5] : undefined) } },
      { data: (answer.points || []).map(([x, y]) => ({ x, y })), pointRadius: 1.6, backgroundColor: css("--ink"), borderWidth: 0 },
    ] },
    options: {
      animation: false, responsive: true, maintainAspectRatio: false, events: [],
      plugins: { legend: { display: false }, tooltip: { enabled: false } },
      scales: { x: axis(say(of === "motor" ? "axis.speed" : "axis.wheel")), y: axis(say("axis.torque")) },
    },
  });
};

// ---- figures -----------------------------------------------------------------------------------
/// For the sentence: a digit less; the figures beside have all.
const value = (e) => (e && known(e.value) ? digits(e.value, Math.max(0, places(e) - 1)) : "–");

/// Each gives the main sentence, rows of figures, and notes.
const answers = {
  motor: (a, subject) => ({
    main: a.described ? say("answer.motor", { subject, watts: value(a.peak_power), rpm: value(a.peak_power_speed) })
      : say("answer.undescribed", { why: a.not_described }),
    figures: [["peak_power", figure(a.peak_power)], ["stall_torque", figure(a.stall_torque)], ["no_load_speed", figure(a.no_load_speed)],
      ["measured", say("figure.range", { low: whole(a.speed_range.low), high: whole(a.speed_range.high) })]],
    notes: [a.described ? say("answer.described") : "", a.choice],
  }),
  machine: (a, subject) => {
    const top = (a.curve_rows || []).at(-1);
    if (!top) return { main: a.described ? say("answer.machine alone", { subject }) : say("answer.undescribed", { why: a.not_described || "" }), figures: [], notes: [] };
    const drag = { value: top[1], low: top[2], high: top[3], unit: "N·m" };
    return {
      main: a.described ? say("answer.machine", { subject, nm: value(drag), rpm: whole(top[0]), watts: digits(top[1] * top[0] * Math.PI / 30, 1) })
        : say("answer.undescribed", { why: a.not_described }),
      figures: [[say("figure.drag", { rpm: whole(top[0]) }), figure(drag)], ["inertia", figure(a.inertia)],
        ["measured", say("figure.range", { low: whole(a.speed_range.low), high: whole(a.speed_range.high) })]],
      notes: [a.described ? say("answer.described") : "", a.choice],
    };
  },
  belts: (a) => {
    const best = a.belts[0];
    if (!best) return { main: say("answer.none"), figures: [], notes: [] };
    const alike = a.belts.filter((belt) => belt.group && best.group && belt.group.includes(best.group[0])).length > 1;
    return {
      main: say(alike ? "answer.belts alike" : "answer.belts", { belt: best.name, rpm: value(best.top_speed) }),
      figures: a.belts.map((belt) => [belt.name, figure(belt.top_speed)]),
      notes: (a.refused || []).map((run) => `${run.run}: ${run.reason}`),
    };
  },
  choice: (a, subject, status, aims) => {
    const given = Object.entries(aims || {}).map(([aim, text]) => `${say("aim." + aim)}: ${text}`);
    const asked = given.length ? say("answer.asked", { aims: given.join("; ") }) : "";
    const best = a.choices[0];
    if (!best) return { main: say("answer.choice none"), figures: [], notes: [] };
    const of = (c) => say(c.belt ? "answer.choice" : "answer.choice no belt",
      { motor: c.motor, pulley: c.motor_pulley, belt: c.belt, rpm: value(c.handwheel_speed) });
    const chance = (c) => say("answer.chance", { percent: c.chance >= 0.995 ? ">\u202f99" : digits(100 * c.chance, 0) });
    const next = a.next && a.next.kind ? [kindName(a.next.kind), a.next.motor, a.next.machine, a.next.belt].filter(Boolean).join(", ") : "";
    return {
      main: status === 0 ? of(best) : say("answer.choice none"),
      figures: [["handwheel_speed", figure(best.handwheel_speed)], ["motor_speed", figure(best.motor_speed)], ["needle_force", figure(best.needle_force)]],
      notes: [asked, ...a.choices.slice(0, 4).map((c) => `${of(c)}, ${chance(c)}`), a.enough ? say("answer.enough") : next ? say("answer.next", { run: next }) : ""],
    };
  },
};

const list = (id, make) => el(id).replaceChildren(...make);
const showAnswer = (got) => {
  let told = { main: (got.told || [])[0] || say("answer.none"), figures: [], notes: (got.told || []).slice(1) };
  if (got.answer && answers[got.question]) {
    try {
      told = answers[got.question](got.answer, got.subject, got.status, got.aims);
      told.more = got.told || [];
    } catch { /* an answer of another shape: what was said of it is shown instead */ }
  }
  show("answer-main", told.main);
  draw(got.answer || {}, got.question);
  list("answer-figures", told.figures.flatMap(([name, text]) => {
    const dt = document.createElement("dt"), dd = document.createElement("dd");
    dt.textContent = has("figure." + name) ? say("figure." + name) : name;
    dd.textContent = text;
    return [dt, dd];
  }));
  const items = (texts) => texts.filter(Boolean).map((text) => {
    const li = document.createElement("li");
    li.textContent = text;
    return li;
  });
  list("answer-notes", items(told.notes));
  list("answer-told", items(told.more || []));
  el("answer-more").hidden = !(told.more || []).length;
};

let asking = false, held = null;
export const answer = (state) => {
  el("answer").hidden = state.phase === "recording" || !held;
  const status = state.answer;
  if (!status || status.state !== "ready" || status.number === numberShown || asking) return;
  asking = true;
  fetch("/answer").then((reply) => reply.json()).then((got) => {
    numberShown = got.number;
    held = got;
    el("answer").hidden = false;
    el("answer").dataset.number = got.number;
    showAnswer(got);
  }).catch(() => {}).finally(() => { asking = false; });
};
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (held) showAnswer(held); });
