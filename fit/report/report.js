"use strict";
// Draws the plots of a report on screen, reads them by keyboard, and moves the load line. All
// numbers come from the page itself; nothing is fetched, nothing is computed that the programs
// would answer differently: the slider steps through answers that loadline-fit worked out.
(() => {
  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const read = (name) => {
    const element = document.getElementById("data-" + name);
    return element && JSON.parse(element.textContent);
  };
  const words = read("words");
  const language = document.documentElement.lang === "en" ? "en-GB" : document.documentElement.lang;
  const dashes = { solid: [], dashed: [9, 5], dotted: [2, 4], dashdot: [10, 4, 2, 4],
    long: [20, 5] };
  const faded = (colour, alpha) => {
    const hex = colour.replace("#", "");
    const part = (at) => parseInt(hex.slice(at, at + 2), 16);
    return `rgba(${part(0)},${part(2)},${part(4)},${alpha})`;
  };
  const points = (set, y) => set.x.map((x, i) => ({ x, y: y[i] }));

  // Numbers for people: four significant digits, thousands grouped.
  const shown = (value) => {
    if (value === null || !Number.isFinite(value)) return words.unknown;
    const size = Math.abs(value);
    const digits = size === 0 ? 0 : Math.max(0, 3 - Math.floor(Math.log10(size)));
    return value.toLocaleString(language,
      { minimumFractionDigits: Math.min(digits, 6), maximumFractionDigits: Math.min(digits, 6) });
  };

  const bandSets = (set, colour, order) => {
    const edge = { type: "line", borderWidth: 0, pointRadius: 0, pointHitRadius: 0, helper: true,
      order };
    return [
      { ...edge, label: "", data: points(set, set.low), fill: false },
      { ...edge, label: "", data: points(set, set.high), fill: "-1",
        backgroundColor: faded(colour, 0.17) },
    ];
  };
  const whiskerSets = (set, colour) => {
    const sets = [];
    const add = (data) => sets.push({ type: "line", label: "", helper: true, data,
      borderColor: colour, borderWidth: 2, pointRadius: 0, pointHitRadius: 0, order: 0 });
    set.x.forEach((x, i) => {
      const y = set.y[i];
      if (set.low) add([{ x, y: set.low[i] }, { x, y: set.high[i] }]);
      if (set.x_low) add([{ x: set.x_low[i], y }, { x: set.x_high[i], y }]);
    });
    return sets;
  };
  const outside = (set, x, i) => (set.from !== undefined && x < set.from) ||
    (set.to !== undefined && x > set.to) || Boolean(set.far && set.far[i]);
  const farSegment = (set, c) =>
    outside(set, (c.p0.parsed.x + c.p1.parsed.x) / 2, c.p0DataIndex) ||
    Boolean(set.far && set.far[c.p1DataIndex]);

  function dataSets(plot) {
    const sets = [];
    plot.sets.forEach((set, index) => {
      const colour = css("--c" + set.colour);
      const common = { label: set.name, data: points(set, set.y), source: set, index };
      if (set.look === "line") {
        sets.push({ ...common, type: "line", borderColor: colour, backgroundColor: colour,
          borderWidth: 2, pointRadius: 0, pointStyle: "line", borderDash: dashes[set.dash],
          order: 1, segment: {
            borderDash: (c) => farSegment(set, c) ? [1.5, 5] : undefined,
            borderColor: (c) => farSegment(set, c) ? faded(colour, 0.75) : undefined,
          } });
        if (set.low) sets.push(...bandSets(set, colour, 3));
      } else if (set.look === "points") {
        const few = set.x.length < 400;  // these are drawn larger, each to be seen
        sets.push({ ...common, type: "scatter", backgroundColor: faded(colour, few ? 0.85 : 0.4),
          borderWidth: 0, pointRadius: few ? 2.6 : 1.7, pointHoverRadius: 4, pointStyle: "circle", order: 2 });
      } else if (set.look === "crosses") {
        sets.push({ ...common, type: "scatter", borderColor: colour, borderWidth: 1.4,
          pointRadius: 3.5, pointHoverRadius: 5, pointStyle: "crossRot", order: 2 });
      } else {
        sets.push({ ...common, type: "scatter", backgroundColor: colour,
          borderColor: css("--card"), borderWidth: 1.5, pointRadius: 6, pointHoverRadius: 7,
          pointStyle: "circle", order: -1 });
        sets.push(...whiskerSets(set, colour));
      }
    });
    return sets;
  }

  // A name in lines of some sixteen letters, so that it leaves room for the plot.
  const lines = (name) => name.split(" ").reduce((rows, word) => {
    const last = rows[rows.length - 1];
    if (last !== undefined && (last + " " + word).length <= 16) rows[rows.length - 1] += " " + word;
    else rows.push(word);
    return rows;
  }, []);

  function axis(spec, vertical) {
    const named = spec.categories.length > 0;
    return {
      type: "linear", min: spec.min, max: spec.max, reverse: vertical && named,
      title: { display: !named || !vertical, text: spec.title, color: css("--ink") },
      grid: { color: css("--grid"), borderColor: css("--soft") },
      afterBuildTicks: (scale) => {
        scale.ticks = (named ? spec.categories.map((_, i) => i) : spec.ticks)
          .map((value) => ({ value }));
      },
      ticks: { color: css("--ink"), autoSkip: !named, autoSkipPadding: 12, maxRotation: 0,
        callback: (value) => named ? lines(spec.categories[value]) :
          value.toLocaleString(language, { maximumFractionDigits: 6 }) },
    };
  }

  const sentence = (plot, item) => {
    const set = item.dataset.source, i = item.index;
    const y = plot.y, x = plot.x;
    const name = y.categories.length ? y.categories[set.y[i]] + ": " :
      `${x.quantity} ${shown(set.x[i])} ${x.unit}: `;
    const value = y.categories.length ? set.x[i] : set.y[i];
    const unit = y.categories.length ? x.unit : y.unit;
    const low = y.categories.length ? set.x_low : set.low;
    const high = y.categories.length ? set.x_high : set.high;
    const limits = low && low[i] !== null ? ` (${shown(low[i])} ${words.to} ${shown(high[i])})` : "";
    const far = set.look === "line" && outside(set, set.x[i], i) ? ", " + words.extrapolated : "";
    return `${name}${set.name} ${shown(value)} ${unit}${limits}${far}`;
  };

  const charts = {};
  function draw(figure) {
    const id = figure.dataset.plot;
    const plot = charts[id] ? charts[id].plot : read("plot-" + id);
    const canvas = figure.querySelector("canvas");
    if (charts[id]) charts[id].chart.destroy();
    figure.classList.add("live");
    figure.querySelector(".screen").hidden = false;
    const chart = new Chart(canvas, {
      data: { datasets: dataSets(plot) },
      options: {
        animation: false, parsing: false, normalized: false, maintainAspectRatio: false,
        interaction: { mode: "nearest", intersect: false, axis: "xy" },
        scales: { x: axis(plot.x, false), y: axis(plot.y, true) },
        plugins: {
          legend: { display: false },
          tooltip: { displayColors: false, filter: (item) => !item.dataset.helper,
            callbacks: { title: () => "",
              label: (item) => sentence(plot, { dataset: item.dataset, index: item.dataIndex }) } },
        },
      },
    });
    charts[id] = { chart, plot };
    return chart;
  }

  // Arrow keys walk along the first line (or the marks) and say what stands there.
  function readByKeyboard(figure) {
    const id = figure.dataset.plot;
    const readout = figure.querySelector(".readout");
    let at = -1;
    figure.querySelector("canvas").addEventListener("keydown", (event) => {
      const { chart, plot } = charts[id];
      const sets = chart.data.datasets.filter((set) =>
        !set.helper && !["points", "crosses"].includes(set.source.look));
      const set = sets[0] || chart.data.datasets[0];
      if (!set) return;
      const last = set.data.length - 1;
      const step = Math.max(1, Math.round(last / 50));
      const moves = { ArrowRight: at + step, ArrowUp: at + step, ArrowLeft: at - step,
        ArrowDown: at - step, Home: 0, End: last };
      if (!(event.key in moves)) return;
      event.preventDefault();
      at = Math.min(last, Math.max(0, moves[event.key]));
      const shownAt = [{ datasetIndex: chart.data.datasets.indexOf(set), index: at }];
      chart.setActiveElements(shownAt);
      chart.tooltip.setActiveElements(shownAt, { x: 0, y: 0 });
      chart.update("none");
      readout.textContent = sets.map((other) => {
        // The same x on every other line, as far as it has one.
        const i = other === set ? at : other.source.x.findIndex((x) => x >= set.source.x[at]);
        return i < 0 ? "" : sentence(plot, { dataset: other, index: i });
      }).filter(Boolean).slice(0, 3).join("; ");
    });
  }

  // The slider of a pair: every stop is an answer that loadline-fit computed for that ratio.
  function slider(box) {
    const pair = read(box.dataset.pair);
    const figure = document.getElementById("plot-" + pair.plot);
    const input = box.querySelector("input");
    const output = box.querySelector("output");
    const show = (moved) => {
      const i = Number(input.value);
      const stop = pair.stops[i];
      output.textContent = stop.words;
      input.setAttribute("aria-valuetext", stop.words);
      stop.answers.forEach((answers, motor) => {
        for (const [key, text] of Object.entries(answers)) {
          const place = box.querySelector(`[data-motor="${motor}"][data-key="${key}"]`);
          if (!place) continue;
          place.textContent = text[0];
          place.nextElementSibling.textContent = text[1];
        }
      });
      const { plot } = charts[pair.plot];
      const load = plot.sets[pair.load_set];
      load.x = pair.drag.x.map((x) => x * stop.ratio);
      load.y = pair.drag.y.map((y) => y / stop.ratio + pair.loss);
      if (load.low) load.low = pair.drag.low.map((y) => y / stop.ratio + pair.loss);
      if (load.high) load.high = pair.drag.high.map((y) => y / stop.ratio + pair.loss);
      if (pair.drag.from !== undefined) load.from = pair.drag.from * stop.ratio;
      if (pair.drag.to !== undefined) load.to = pair.drag.to * stop.ratio;
      stop.crosses.forEach((at, motor) => {  // their marks stand behind the load line
        const cross = plot.sets[pair.load_set + 1 + motor];
        cross.x = at ? [at.x] : [];
        cross.y = at ? [at.y] : [];
        cross.x_low = at && at.low !== null ? [at.low] : undefined;
        cross.x_high = at && at.low !== null ? [at.high] : undefined;
      });
      if (moved) figure.classList.add("moved");
      draw(figure);
    };
    input.addEventListener("input", () => show(true));
    for (const button of box.querySelectorAll("button")) {
      button.addEventListener("click", () => {
        input.value = button.dataset.stop;
        show(true);
      });
    }
    box.hidden = false;
    show(false);
  }

  const figures = [...document.querySelectorAll("figure[data-plot]")];
  const boxes = [...document.querySelectorAll(".slider[data-pair]")];
  Chart.defaults.font.family = getComputedStyle(document.body).fontFamily;
  Chart.defaults.font.size = 13;
  // A picture in a closed fold has no size yet; it is drawn when its fold opens.
  const closed = (figure) => Boolean(figure.closest("details:not([open])"));
  figures.forEach((figure) => { if (!closed(figure)) draw(figure); readByKeyboard(figure); });
  boxes.forEach(slider);
  for (const fold of document.querySelectorAll("details.fold")) {
    fold.addEventListener("toggle", () => {
      if (fold.open) figures.filter((figure) => fold.contains(figure)).forEach(draw);
      cue();
    });
  }
  // A link into a fold opens it.
  const open = () => {
    const target = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    const fold = target && target.closest("details.fold");
    if (!fold) return;
    fold.open = true;
    target.scrollIntoView();
  };
  addEventListener("hashchange", open);
  // Tables that go on beyond the edge say so.
  function cue() {
    for (const scroller of document.querySelectorAll(".scroller"))
      scroller.classList.toggle("goes-on", scroller.scrollWidth > scroller.clientWidth + 1);
  }
  addEventListener("resize", cue);
  cue();
  open();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change",
    () => figures.filter((figure) => charts[figure.dataset.plot]).forEach(draw));
  addEventListener("beforeprint", () => {
    for (const { chart } of Object.values(charts)) chart.resize();
  });
})();
