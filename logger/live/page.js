"use strict";
// The bench page: takes the state from /state as it comes and shows it. Names from the book enter
// the page as text only, never as markup.
(() => {
  const el = (id) => document.getElementById(id);
  const show = (id, text) => { const e = el(id); if (e.textContent !== text) e.textContent = text; };
  const grouped = new Intl.NumberFormat("en-GB", { maximumFractionDigits: 0 });
  const known = (x) => x !== null && x !== undefined;
  const digits = (x, n) => (known(x) ? (Math.abs(x) < 0.5 / 10 ** n ? 0 : x).toFixed(n).replace("-", "−") : "–");
  const whole = (x) => (known(x) ? grouped.format(Math.round(x) || 0).replace("-", "−") : "–");
  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  const words = {
    idle: "Ready", recording: "Recording", ended: "Run ended", failed: "Run failed", "no rig": "No rig",
  };
  const kindWords = {
    brake: "Brake run", "no-load": "Run without load", "spin-up": "Spin-up", "coast-down": "Coast-down",
    driven: "Driven run", "slip-check": "Slip check", "top-speed": "Top speed",
  };
  const wheelKinds = ["top-speed", "driven"];  // of these the hand wheel's speed is the result
  const mountedWords = {
    motor: "Motor", machine: "Machine", belt: "Belt", motor_pulley: "Motor pulley", hand_pulley: "Hand pulley",
  };
  const kindName = (kind) => kindWords[kind] || kind || "";

  // ---- plots ---------------------------------------------------------------------------------
  Chart.defaults.locale = "en-GB";
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
    options: options("motor speed (rpm)", "torque (N·m)"),
    plugins: [missing],
  });
  const time = new Chart(el("time"), {
    type: "line",
    data: { datasets: [
      { data: [], pointRadius: 0, borderWidth: 2.5 },
      { data: [], pointRadius: 0, borderWidth: 2.5, borderDash: [7, 4] },
    ] },
    options: options("time (s)", "speed (rpm)"),
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

  const addPoints = (state) => {
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
    const r = state.reading;
    if (known(r.motor_rpm) && known(r.torque_nm)) now.data.push({ x: r.motor_rpm, y: r.torque_nm });
    // Noise around zero is no reason for half a plot below it.
    const torques = readings.data.map((p) => p.y);
    const least = torques.reduce((a, b) => Math.min(a, b), 0), most = torques.reduce((a, b) => Math.max(a, b), 0.01);
    scatter.options.scales.y.min = least > -0.1 * most ? 0 : undefined;
    if (state.points.length || state.anew) {
      scatter.update("none");
      time.update("none");
    }
    el("scatter").dataset.points = readings.data.length;
    el("time").dataset.points = Math.max(motor.data.length, wheel.data.length);
    el("motor-key").hidden = !motor.data.length;
    el("wheel-key").hidden = !wheel.data.length;
  };

  const coverage = (state) => {
    const c = state.coverage;
    gaps = [];
    el("scatter").dataset.covered = c ? c.counts.filter((n) => n >= c.enough).length : "";
    if (c && c.highest_rpm > 0) {
      const step = c.highest_rpm / c.counts.length;
      c.counts.forEach((n, i) => { if (c.hint && n < c.enough) gaps.push([i * step, (i + 1) * step]); });
    }
    show("hint", c ? c.hint : "");
  };

  // ---- figures -------------------------------------------------------------------------------
  const figure = (id, text) => { show(id, text); el(id).classList.toggle("long", text.length > 6); };
  const small = (id, text) => { el(id + "-box").hidden = !text; show(id, text); };
  const ago = (utc) => {
    const minutes = Math.max(0, (Date.now() - Date.parse(utc)) / 60000);
    if (!(minutes < 1e9)) return "";
    if (minutes < 1) return "just now";
    if (minutes < 90) return `${Math.round(minutes)} min ago`;
    return minutes < 2880 ? `${Math.round(minutes / 60)} h ago` : `${Math.round(minutes / 1440)} days ago`;
  };
  const zero = (state) => {
    const drift = known(state.zero_drift_nm) ? `, drifted ${digits(1000 * state.zero_drift_nm, 1)} mN·m since the last` : "";
    if (known(state.zero_counts)) return `${whole(state.zero_counts)} counts${drift}`;
    if (state.phase === "recording") return known(state.reading.torque_counts) ? "not yet, wants two seconds at rest" : "–";
    const last = state.bench.zero;
    return last ? `${whole(last.mean_counts)} counts, taken ${ago(last.made_utc)}` : "none taken yet";
  };
  const figures = (state) => {
    const r = state.reading;
    const byWheel = known(r.handwheel_rpm) && (!known(r.motor_rpm) || wheelKinds.includes(state.kind));
    show("speed-name", byWheel ? "Hand wheel" : "Motor speed");
    show("wheel-name", byWheel ? "Motor" : "Hand wheel");
    figure("rpm", whole(byWheel ? r.handwheel_rpm : r.motor_rpm));
    const counts = !known(r.torque_nm) && known(r.torque_counts);
    figure("torque", counts ? whole(r.torque_counts) : digits(r.torque_nm, 3));
    show("torque-unit", counts ? "counts, no calibration yet" : "N·m");
    figure("power", digits(r.power_w, known(r.power_w) && Math.abs(r.power_w) < 99.95 ? 1 : 0));
    const other = byWheel ? r.motor_rpm : r.handwheel_rpm;
    small("wheel", known(other) ? whole(other) + " rpm" : "");
    small("supply", known(r.supply_v) ? digits(r.supply_v, 1) + " V" : "");
    small("temperature", known(r.temperature_c) ? digits(r.temperature_c, 1) + " °C" : "");
    show("zero", zero(state));
    const held = state.standstill_s > 0, limit = state.standstill_limit_s;
    small("standstill", known(limit) ? `${digits(Math.max(0, limit - state.standstill_s), 1)} s ${held ? "left" : "allowed"}` : "");
    el("standstill-box").classList.toggle("held", held);
    show("samples", grouped.format(state.samples));
    show("lost", grouped.format(state.lost) + (state.damaged ? `, ${grouped.format(state.damaged)} damaged` : ""));
    el("lost-box").classList.toggle("some", state.lost + state.damaged > 0);
  };

  const strip = (state) => {
    const recording = state.phase === "recording";
    const phase = state.phase === "idle" && state.rig_trouble ? "no rig" : state.phase;
    el("strip").dataset.phase = phase;
    show("phase", words[phase] || phase);
    const parts = Object.values(state.mounted).join(", ");
    const what = recording ? [kindName(state.kind), parts, state.run ? `run ${state.run}` : "waiting for the first sample"]
      : [state.message, state.rig_trouble];
    show("what", what.filter(Boolean).join(" · "));
    show("clock", recording && state.reading.elapsed_s ? digits(state.reading.elapsed_s, 1) + " s" : "");
  };

  // What must be done now, as large as the figures. A verdict is calm; everything else is urgent.
  const urgent = (state) => {
    if (state.phase !== "recording") return "";
    if (state.book_trouble) return `The book cannot be written: ${state.book_trouble}`;
    if (state.unplugged) return "The rig is unplugged: plug it in again";
    if (state.standstill_too_long) return "Held too long: release the brake or switch off";
    if (state.standstill_s > 0.3) return `Held: ${digits(Math.max(0, state.standstill_limit_s - state.standstill_s), 1)} s left`;
    if (known(state.slip_left_s)) return state.slip_left_s > 0 ? `Switch off in ${digits(state.slip_left_s, 1)} s` : "Switch off now";
    if (known(state.switch_on_in_s)) return state.switch_on_in_s > 0 ? `Wheel clamped? On in ${Math.ceil(state.switch_on_in_s)} s` : "Switch on now";
    return "";
  };
  const verdicts = { set: "The belt is set", tighten: "Tighten the belt", loosen: "Loosen the belt", unknown: "Check again" };
  const verdict = (slip) => {
    const creep = slip.creep_speed.value;
    return (verdicts[slip.verdict] || slip.verdict) + (known(creep) ? `: it creeps at ${whole(creep)} rpm` : "");
  };
  const alarm = (state) => {
    const slip = state.phase === "ended" && state.last && state.last.slip;
    const text = slip ? verdict(slip) : urgent(state);
    el("alarm").classList.toggle("calm", Boolean(slip) || (known(state.switch_on_in_s) && state.switch_on_in_s > 0));
    el("alarm").hidden = !text;
    show("alarm", text);
  };

  // ---- the order -----------------------------------------------------------------------------
  const parts = ["motor", "machine", "belt", "motor_pulley", "hand_pulley"];
  const numbers = ["for_s", "slip_check", "inertia_kgm2", "added_inertia_kgm2", "supply_v"];
  let latest = null, filled = "";
  const fill = (id, names, text) => {
    const select = el(id), chosen = select.value;
    select.replaceChildren(...(text ? [] : [new Option("–", "")]), ...names.map((n) => new Option(text ? text(n) : n, n)));
    if (names.includes(chosen)) select.value = chosen;
    else if (!text && names.length === 1) select.value = names[0];
  };
  const bench = (state) => {
    const key = JSON.stringify(state.bench);
    if (key === filled) return;
    filled = key;
    const b = state.bench;
    fill("kind", b.kinds || [], kindName);
    fill("motor", b.motors || []);
    fill("machine", b.machines || []);
    fill("belt", b.belts || []);
    fill("motor_pulley", b.pulleys || []);
    fill("hand_pulley", b.pulleys || []);
    const plan = b.plan;
    el("plan-box").hidden = !plan;
    if (plan) {
      show("plan-name", `Plan ${plan.name}: ` + (plan.done ? `all ${plan.steps} steps done` : `step ${plan.step} of ${plan.steps}`));
      show("plan", plan.done ? "" : (plan.slip_check || plan.again ? "" : `Mount belt ${plan.belt}` +
        (plan.motor_pulley ? ` on motor pulley ${plan.motor_pulley}` : "") + ". ") +
        (plan.kind === "slip-check" ? (plan.again ? `Belt ${plan.belt} is not set yet: slip check again.` : "Then the slip check.")
          : `Belt ${plan.belt} is set: free the hand wheel, then the top speed.`));
      el("plan-take").hidden = plan.done || !state.may_start;
    }
    fitForm();
  };
  const fitForm = () => {
    const kind = el("kind").value;
    for (const field of document.querySelectorAll("[data-for]"))
      field.hidden = !field.dataset.for.split(" ").includes(kind);
    if (latest && known(latest.reading.supply_v)) el("supply-field").hidden = true;
    const text = ((latest && latest.bench.cautions) || {})[kind] || "";
    el("cautions-box").hidden = el("read-box").hidden = !text;
    show("cautions", text);
    el("read").checked = false;
  };
  el("kind").addEventListener("change", () => { fitForm(); if (latest) layout(latest); });
  el("plan-take").addEventListener("click", () => {
    const plan = latest.bench.plan;
    for (const key of ["kind", ...parts]) el(key).value = plan[key] || "";
    el("slip_check").value = plan.slip_check || "";
    fitForm();
    layout(latest);
    el(el("read-box").hidden ? "start" : "read").focus({ preventScroll: true });
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
  const used = (id) => !el(id).closest("label").hidden && el(id).value;
  el("order").addEventListener("submit", (event) => {
    event.preventDefault();
    if (!el("read-box").hidden && !el("read").checked) {
      show("complaint", "Read the cautions first, and tick that they are seen to.");
      el("cautions-box").open = true;
      el("read").focus({ preventScroll: true });
      return;
    }
    const wish = { kind: el("kind").value, cautions_read: el("read").checked };
    for (const key of parts) if (used(key)) wish[key] = el(key).value;
    for (const key of numbers) if (used(key)) wish[key] = Number(el(key).value);
    post("/start", wish);
  });
  el("stop").addEventListener("click", () => post("/stop", {}));

  let phaseBefore = "";
  const order = (state) => {
    const busy = state.phase === "recording";
    el("start").disabled = busy || !state.may_start;
    el("stop").disabled = !busy;
    el("start").hidden = !state.may_start;
    show("order-name", busy ? "What is mounted" : state.may_start ? "Next run" : "This recording");
    el("fields").hidden = busy || !state.may_start;
    el("plan-box").hidden = busy || !state.bench.plan;
    el("mounted").hidden = !busy;
    const list = [["Kind", kindName(state.kind)], ...Object.entries(state.mounted).map(([k, v]) => [mountedWords[k] || k, v])];
    const key = JSON.stringify(list);
    if (busy && el("mounted").dataset.key !== key) {
      el("mounted").dataset.key = key;
      el("mounted").replaceChildren(...list.flatMap(([name, value]) => {
        const dt = document.createElement("dt"), dd = document.createElement("dd");
        dt.textContent = name; dd.textContent = value;
        return [dt, dd];
      }));
    }
    if (state.phase !== phaseBefore && !busy) fitForm();  // cautions are seen to for one run only
    if (busy || !state.may_start) el("cautions-box").hidden = el("read-box").hidden = true;
    phaseBefore = state.phase;
  };

  // Torque over speed is what a brake run fills in; for other kinds the time has the room.
  const layout = (state) => {
    const settled = state.phase === "ended" && state.last;
    const kind = state.phase === "recording" ? state.kind : settled ? state.last.kind : el("kind").value;
    el("plots").classList.toggle("time-only", kind !== "brake" && Boolean(kind));
  };

  const last = (state) => {
    el("last-box").hidden = !state.last || state.phase === "recording";
    if (!state.last) return;
    show("verdict", state.last.sentence || "");
    const lines = state.last.summary.split("\n").map((line) => line.trim()).filter((line) => line !== state.last.sentence);
    if (state.last.next) lines.push("Next: " + state.last.next);
    show("last", lines.join("\n"));
    if (state.last.slip && state.last.slip.verdict === "set") el("slip_check").placeholder = `none (last: ${state.last.run})`;
  };

  const source = new EventSource("/state");
  source.onmessage = (event) => {
    const state = latest = JSON.parse(event.data);
    for (const part of [strip, alarm, figures, coverage, bench, order, layout, last, addPoints]) part(state);
    document.body.dataset.phase = state.phase;
  };
  source.onerror = () => {
    el("strip").dataset.phase = document.body.dataset.phase = "no rig";
    show("phase", "No connection");
    show("what", "The logger has ended, or the network is away; this page tries again by itself.");
    show("clock", "");
    for (const id of ["rpm", "torque", "power"]) figure(id, "–");  // what is stale is not shown as now
    el("alarm").hidden = true;
    el("start").disabled = el("stop").disabled = true;
  };
})();
