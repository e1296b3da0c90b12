"use strict";
// The bench page: takes the state from /state as it comes and shows it. Names from the book enter
// the page as text only, never as markup.
(() => {
  const el = (id) => document.getElementById(id);
  const show = (id, text) => { const e = el(id); if (e.textContent !== text) e.textContent = text; };
  const grouped = new Intl.NumberFormat("en-GB", { maximumFractionDigits: 0 });
  const digits = (x, n) => (x === null || x === undefined ? "–" : x.toFixed(n));
  const whole = (x) => (x === null || x === undefined ? "–" : grouped.format(x));
  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  const words = {
    idle: "Ready", recording: "Recording", ended: "Run ended", failed: "Run failed", "no rig": "No rig",
  };

  // ---- plots ---------------------------------------------------------------------------------
  const axis = (text) => ({
    type: "linear", beginAtZero: true, title: { display: true, text, color: css("--soft") },
    grid: { color: css("--line") }, ticks: { color: css("--soft"), maxTicksLimit: 8 },
  });
  const options = (x, y, style) => ({
    animation: false, responsive: true, maintainAspectRatio: false, parsing: false,
    plugins: { legend: { labels: { color: css("--ink"), usePointStyle: true, pointStyle: style, pointStyleWidth: 34 } }, tooltip: { enabled: false } },
    scales: { x: axis(x), y: axis(y) },
  });
  const scatter = new Chart(el("scatter"), {
    type: "scatter",
    data: { datasets: [
      { label: "readings", data: [], pointRadius: 2.2, pointStyle: "circle", borderColor: css("--torque"), backgroundColor: css("--torque") },
      { label: "now", data: [], pointRadius: 9, borderWidth: 3, pointStyle: "crossRot", borderColor: css("--ink"), backgroundColor: css("--ink") },
    ] },
    options: options("motor speed (rpm)", "torque (N·m)", undefined),
  });
  const time = new Chart(el("time"), {
    type: "line",
    data: { datasets: [
      { label: "motor", data: [], pointRadius: 0, borderWidth: 2, borderColor: css("--speed") },
      { label: "hand wheel", data: [], pointRadius: 0, borderWidth: 2, borderDash: [7, 4], borderColor: css("--torque") },
    ] },
    options: options("time (s)", "speed (rpm)", "line"),
  });
  const recolour = () => {
    for (const chart of [scatter, time]) {
      for (const scale of Object.values(chart.options.scales)) {
        scale.title.color = scale.ticks.color = css("--soft");
        scale.grid.color = css("--line");
      }
      chart.options.plugins.legend.labels.color = css("--ink");
    }
    const [readings, now] = scatter.data.datasets, [motor, wheel] = time.data.datasets;
    readings.borderColor = readings.backgroundColor = css("--torque");
    now.borderColor = now.backgroundColor = css("--ink");
    motor.borderColor = css("--speed");
    wheel.borderColor = css("--torque");
    scatter.update(); time.update();
  };
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", recolour);

  const addPoints = (state) => {
    const readings = scatter.data.datasets[0].data, now = scatter.data.datasets[1].data;
    const motor = time.data.datasets[0].data, wheel = time.data.datasets[1].data;
    if (state.anew) for (const list of [readings, motor, wheel]) list.length = 0;
    for (const [t, rpm, handwheel, torque] of state.points) {
      if (rpm !== null && torque !== null) readings.push({ x: rpm, y: torque });
      if (rpm !== null) motor.push({ x: t, y: rpm });
      if (handwheel !== null) wheel.push({ x: t, y: handwheel });
    }
    now.length = 0;
    const r = state.reading;
    if (r.motor_rpm !== null && r.torque_nm !== null) now.push({ x: r.motor_rpm, y: r.torque_nm });
    if (!state.points.length && !state.anew) return;
    scatter.update("none");
    time.update("none");
    el("scatter").dataset.points = readings.length;
  };

  // ---- figures -------------------------------------------------------------------------------
  const figures = (state) => {
    const r = state.reading;
    const byWheel = r.motor_rpm === null && r.handwheel_rpm !== null;
    show("speed-name", byWheel ? "hand wheel" : "motor");
    show("rpm", whole(byWheel ? r.handwheel_rpm : r.motor_rpm));
    const counts = r.torque_nm === null && r.torque_counts !== null;
    show("torque", counts ? whole(r.torque_counts) : digits(r.torque_nm, 3));
    show("torque-unit", counts ? "counts" : "N·m");
    show("power", digits(r.power_w, r.power_w !== null && Math.abs(r.power_w) < 100 ? 1 : 0));
    show("wheel", r.handwheel_rpm === null ? "–" : whole(r.handwheel_rpm) + " rpm");
    show("supply", r.supply_v === null ? "–" : digits(r.supply_v, 1) + " V");
    show("temperature", r.temperature_c === null ? "–" : digits(r.temperature_c, 1) + " °C");
    const drift = state.zero_drift_nm === null ? "" : ` (${(1000 * state.zero_drift_nm).toFixed(1)} mN·m since the last)`;
    show("zero", state.zero_counts === null ? "–" : whole(state.zero_counts) + drift);
    show("samples", grouped.format(state.samples));
    show("lost", grouped.format(state.lost) + (state.damaged ? `, ${grouped.format(state.damaged)} damaged` : ""));
    el("lost-box").classList.toggle("some", state.lost + state.damaged > 0);
    const limit = state.standstill_limit_s;
    show("standstill", limit === null ? "–" : `${Math.max(0, limit - state.standstill_s).toFixed(1)} s left`);
  };

  const strip = (state) => {
    el("strip").dataset.phase = state.phase;
    show("phase", words[state.phase] || state.phase);
    const mounted = Object.entries(state.mounted).map(([k, v]) => `${k.replace("_", " ")} ${v}`).join(", ");
    const run = state.run && state.phase === "recording" ? `run ${state.run}: ` : "";
    show("what", state.phase === "recording" ? `${run}${state.kind}, ${mounted}` : state.message);
    show("clock", state.reading.elapsed_s ? digits(state.reading.elapsed_s, 1) + " s" : "");
  };

  const alarm = (state) => {
    let text = "";
    if (state.slip_left_s !== null) text = state.slip_left_s > 0 ? `Slipping: ${state.slip_left_s.toFixed(1)} s left` : "Switch off now";
    else if (state.switch_on_in_s !== null) text = state.switch_on_in_s > 0 ? `Hold the wheel; switch on in ${Math.ceil(state.switch_on_in_s)} s` : "Switch on now";
    if (state.standstill_too_long) text = "Held too long: release the brake or switch off";
    if (state.unplugged) text = "The rig is unplugged: plug it in again";
    if (state.book_trouble) text = `The book cannot be written: ${state.book_trouble}`;
    if (state.phase !== "recording") text = "";
    el("alarm").hidden = !text;
    show("alarm", text);
  };

  const coverage = (state) => {
    const box = el("coverage");
    while (box.children.length < state.coverage.counts.length) box.append(document.createElement("i"));
    state.coverage.counts.forEach((n, i) => {
      box.children[i].className = n >= state.coverage.enough ? "full" : n > 0 ? "some" : "";
    });
    show("hint", state.coverage.hint);
  };

  // ---- the order -----------------------------------------------------------------------------
  let filled = "";
  const fill = (id, names, empty) => {
    const select = el(id), chosen = select.value;
    select.replaceChildren(...(empty ? [new Option("–", "")] : []), ...names.map((n) => new Option(n, n)));
    if (names.includes(chosen)) select.value = chosen;
  };
  const bench = (state) => {
    const key = JSON.stringify(state.bench);
    if (key === filled) return;
    filled = key;
    const b = state.bench;
    fill("kind", b.kinds || [], false);
    fill("motor", b.motors || [], true);
    fill("machine", b.machines || [], true);
    fill("belt", b.belts || [], true);
    fill("motor_pulley", b.pulleys || [], true);
    fill("hand_pulley", b.pulleys || [], true);
    const plan = b.plan;
    el("plan-box").hidden = !plan;
    if (plan) {
      show("plan", plan.done ? `${plan.name}: all ${plan.steps} steps are done.`
        : `${plan.name}, step ${plan.step} of ${plan.steps}: ${plan.kind} with belt ${plan.belt}` +
          (plan.motor_pulley ? ` on motor pulley ${plan.motor_pulley}` : "") + `, machine ${plan.machine}.`);
      el("plan-take").hidden = plan.done;
    }
    cautions();
  };
  const cautions = () => {
    const all = filled ? JSON.parse(filled).cautions || {} : {};
    const text = all[el("kind").value] || "";
    el("cautions-box").hidden = el("read-box").hidden = !text;
    show("cautions", text);
    el("read").checked = false;
  };
  el("kind").addEventListener("change", cautions);
  el("plan-take").addEventListener("click", () => {
    const plan = JSON.parse(filled).plan;
    for (const key of ["kind", "machine", "motor", "belt", "motor_pulley", "hand_pulley"]) el(key).value = plan[key] || "";
    el("slip_check").value = plan.slip_check || "";
    cautions();
    el("start").focus();
  });

  const post = async (path, body) => {
    show("complaint", "");
    try {
      const answer = await fetch(path, { method: "POST", body: JSON.stringify(body) });
      if (!answer.ok) show("complaint", (await answer.text()).trim());
    } catch {
      show("complaint", "The logger does not answer; is it still running?");
    }
  };
  el("order").addEventListener("submit", (event) => {
    event.preventDefault();
    const wish = { cautions_read: el("read").checked };
    for (const key of ["kind", "motor", "machine", "belt", "motor_pulley", "hand_pulley"]) if (el(key).value) wish[key] = el(key).value;
    for (const key of ["for_s", "slip_check"]) if (el(key).value) wish[key] = Number(el(key).value);
    post("/start", wish);
  });
  el("stop").addEventListener("click", () => post("/stop", {}));

  const buttons = (state) => {
    const busy = state.phase === "recording";
    el("start").disabled = busy || !state.may_start;
    el("stop").disabled = !busy;
    el("fields").hidden = !state.may_start;
    el("start").hidden = !state.may_start;
    if (!state.may_start) el("cautions-box").hidden = el("read-box").hidden = true;
  };

  const last = (state) => {
    el("last-box").hidden = !state.last;
    if (!state.last) return;
    show("verdict", state.last.sentence || "");
    show("last", state.last.summary + (state.last.next ? "\nNext: " + state.last.next : ""));
    if (state.last.slip && state.last.slip.verdict === "set" && !el("slip_check").value) el("slip_check").placeholder = `none (last: ${state.last.run})`;
  };

  const source = new EventSource("/state");
  source.onmessage = (event) => {
    const state = JSON.parse(event.data);
    for (const part of [strip, alarm, figures, coverage, bench, buttons, last, addPoints]) part(state);
  };
  source.onerror = () => {
    el("strip").dataset.phase = "no rig";
    show("phase", "No connection");
    show("what", "The logger has ended, or the network is away; this page tries again by itself.");
  };
})();
