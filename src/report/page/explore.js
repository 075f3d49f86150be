// Lets a reader zoom into the trace. The page is whole without this: the drawn picture stands above.
(() => {
  "use strict";
  const source = document.getElementById("explore-data");
  const place = document.getElementById("explore");
  if (!source || !place || typeof uPlot === "undefined") return;
  const data = JSON.parse(source.textContent);
  const say = data.words;
  if (data.channels.length === 0) return;

  // The record's clock: x is the local time at the record's first offset, as seconds; labels use the offset in force.
  const calendar = data.origin_s !== null;
  const firstOffset = calendar ? data.offsets[0][1] : 0;
  const base = calendar ? data.origin_s + firstOffset : 0;
  const offsetAt = (t) => data.offsets.reduce((held, [from, offset]) => (from <= t ? offset : held), firstOffset);
  const two = (n) => String(n).padStart(2, "0");
  const months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  function clock(x, seconds, day) {
    const t = x - base;
    if (!calendar) {
      const s = Math.round(t);
      return `${two(Math.floor(s / 3600))}:${two(Math.floor(s / 60) % 60)}${seconds ? ":" + two(s % 60) : ""}`;
    }
    const d = new Date((x - firstOffset + offsetAt(t)) * 1000);
    const time = `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}${seconds ? ":" + two(d.getUTCSeconds()) : ""}`;
    return day ? `${time} on ${d.getUTCDate()} ${months[d.getUTCMonth()]}` : time;
  }
  function tick(x, step) {
    const text = clock(x, step < 60, false);
    if (!calendar || text !== "00:00") return text;
    const d = new Date((x - firstOffset + offsetAt(x - base)) * 1000);
    return `${text}\n${d.getUTCDate()} ${months[d.getUTCMonth()]}`;
  }

  const inks = ["#124a86", "#b05300", "#5b2d86", "#1d6b4f", "#7a1f3d", "#3d4a57", "#0b6e7a", "#6b5a00"];
  const dashes = [[], [9, 4], [2, 3], [12, 3, 2, 3], [5, 2], [14, 5], [2, 6], [8, 2, 2, 2, 2, 2]];
  // `null` breaks a line, `undefined` only fills the time of another channel.
  const joined = uPlot.join(data.channels.map((c) => [c.t.map((t) => t + base), c.p]), data.channels.map(() => [2, 2]));
  const rates = uPlot.join(data.channels.map((c) => {
    const x = c.rates.map((r) => r[0] + base), y = c.rates.map((r) => r[1]);
    x.push(data.end + base); y.push(y.length ? y[y.length - 1] : null);
    return [x, y];
  }), data.channels.map(() => [2, 2]));
  const whole = { min: data.start + base, max: data.end + base };

  const add = (parent, tag, text, attributes = {}) => {
    const element = document.createElement(tag);
    if (text) element.textContent = text;
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    parent.append(element);
    return element;
  };
  add(place, "h3", say.closer_h);
  add(place, "p", say.closer);
  const tools = add(place, "div", "", { class: "tools", role: "group", "aria-label": say.tools });
  const readout = add(place, "p", "", { class: "readout", role: "status" });
  const area = add(place, "div", "", { class: "chart", tabindex: "0", role: "group", "aria-label": say.chart });
  if (data.channels.some((c) => !c.whole)) {
    add(place, "p", say.thinned, { class: "note" });
  }

  const width = () => Math.max(280, area.clientWidth);
  const shade = (u) => {
    const { ctx } = u, { left, top, width: w, height } = u.bbox;
    ctx.save();
    ctx.beginPath(); ctx.rect(left, top, w, height); ctx.clip();
    for (const e of data.episodes) {
      const a = u.valToPos(e.from + base, "x", true);
      const b = u.valToPos((e.to ?? data.end) + base, "x", true);
      ctx.fillStyle = "#ffefc9"; ctx.fillRect(a, top, b - a, height);
      ctx.fillStyle = "#7a4500"; ctx.fillRect(a, top, 2 * devicePixelRatio, height);
    }
    ctx.restore();
  };
  const label = (u) => {
    const { ctx } = u, { left, top, width: w, height } = u.bbox;
    ctx.save();
    ctx.beginPath(); ctx.rect(left, top, w, height); ctx.clip();
    ctx.font = `bold ${11 * devicePixelRatio}px sans-serif`; ctx.fillStyle = "#7a4500"; ctx.textAlign = "left";
    data.episodes.forEach((e, i) => {
      const a = Math.max(left, u.valToPos(e.from + base, "x", true));
      ctx.fillText(e.label, a + 5 * devicePixelRatio, top + (13 + 14 * (i % 3)) * devicePixelRatio);
    });
    ctx.restore();
  };
  const sync = uPlot.sync("patency");
  const axis = { stroke: "#1b2631", grid: { stroke: "#dde2e7" }, ticks: { stroke: "#9aa5b0" }, font: "11px sans-serif" };
  let plots = [];
  let busy = false;
  function follow(u) {
    if (busy) return;
    busy = true;
    const { min, max } = u.scales.x;
    for (const other of plots) if (other !== u) other.setScale("x", { min, max });
    busy = false;
  }
  function make(title, values, height, stepped) {
    const element = add(area, "div");
    const options = {
      width: width(), height, title: "", legend: { show: false }, tzDate: (s) => uPlot.tzDate(new Date(s * 1e3), "Etc/UTC"),
      cursor: { sync: { key: sync.key }, drag: { x: true, y: false }, points: { size: 7 } },
      scales: { x: { time: true } },
      series: [{}, ...data.channels.map((c, i) => ({
        label: c.name, stroke: inks[i], width: 1.5, dash: dashes[i], spanGaps: false, points: { show: false },
        paths: stepped ? uPlot.paths.stepped({ align: 1 }) : undefined,
      }))],
      axes: [
        { ...axis, values: (u, splits) => splits.map((x) => tick(x, splits.length > 1 ? splits[1] - splits[0] : 60)), size: 44 },
        { ...axis, label: title, labelSize: 18, labelFont: "12px sans-serif", size: 46 },
      ],
      hooks: { drawClear: [shade], draw: stepped ? [] : [label], setScale: [(u, key) => key === "x" && follow(u)], setCursor: [read] },
    };
    return new uPlot(options, values, element);
  }
  // The value at or before the cursor.
  function at(times, values, t) {
    let low = 0, high = times.length;
    while (low < high) { const middle = (low + high) >> 1; if (times[middle] <= t) low = middle + 1; else high = middle; }
    return low === 0 ? null : values[low - 1];
  }
  function read(u) {
    if (u.cursor.left === null || u.cursor.left < 0) return;
    const x = u.posToVal(u.cursor.left, "x"), t = x - base;
    const parts = data.channels.map((c) => {
      const p = at(c.t, c.p, t), r = at(c.rates.map((v) => v[0]), c.rates.map((v) => v[1]), t);
      return `${c.name}: ${p === null ? say.no_pressure : p + " mmHg"}, ${r === null ? say.no_rate : r + " mL/h"}`;
    });
    readout.textContent = `${clock(x, true, true)}${calendar ? "" : ` ${say.since_start}`}. ${parts.join("; ")}.`;
  }
  plots = [make(say.pressure_axis, joined, 300, false), make(say.rate_axis, rates, 150, true)];

  function zoom(factor, around) {
    const { min, max } = plots[0].scales.x;
    const middle = around ?? (min + max) / 2;
    const span = Math.min(whole.max - whole.min, Math.max(1, (max - min) * factor));
    let from = middle - span * ((middle - min) / (max - min));
    from = Math.min(Math.max(from, whole.min), whole.max - span);
    plots[0].setScale("x", { min: from, max: from + span });
  }
  function pan(share) {
    const { min, max } = plots[0].scales.x;
    const shift = Math.min(Math.max((max - min) * share, whole.min - min), whole.max - max);
    plots[0].setScale("x", { min: min + shift, max: max + shift });
  }
  const reset = () => plots[0].setScale("x", { ...whole });
  const button = (text, act) => add(tools, "button", text, { type: "button" }).addEventListener("click", act);
  button(say.zoom_in, () => zoom(0.5));
  button(say.zoom_out, () => zoom(2));
  button(say.earlier, () => pan(-0.5));
  button(say.later, () => pan(0.5));
  button(say.whole_record, reset);
  data.channels.forEach((c, i) => {
    const box = add(tools, "label");
    const input = add(box, "input", "", { type: "checkbox" });
    input.checked = true;
    const sample = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    for (const [name, value] of [["width", 28], ["height", 10], ["aria-hidden", true]]) sample.setAttribute(name, value);
    const stroke = document.createElementNS("http://www.w3.org/2000/svg", "line");
    for (const [name, value] of [["x1", 0], ["x2", 28], ["y1", 5], ["y2", 5], ["stroke", inks[i]], ["stroke-width", 2], ["stroke-dasharray", dashes[i].join(" ")]]) stroke.setAttribute(name, value);
    sample.append(stroke);
    box.append(sample, ` ${c.name}`);
    input.addEventListener("change", () => plots.forEach((u) => u.setSeries(i + 1, { show: input.checked })));
  });
  area.addEventListener("keydown", (event) => {
    const u = plots[0], left = u.cursor.left === null || u.cursor.left < 0 ? u.over.clientWidth / 2 : u.cursor.left;
    const step = event.shiftKey ? 40 : 4;
    const move = (to) => u.setCursor({ left: Math.min(Math.max(to, 0), u.over.clientWidth - 1), top: u.over.clientHeight / 2 });
    const acts = {
      ArrowLeft: () => (left - step < 0 ? pan(-0.25) : move(left - step)),
      ArrowRight: () => (u.over.clientWidth <= left + step ? pan(0.25) : move(left + step)),
      "+": () => zoom(0.5, u.posToVal(left, "x")),
      "=": () => zoom(0.5, u.posToVal(left, "x")),
      "-": () => zoom(2, u.posToVal(left, "x")),
      Home: reset,
    };
    if (!acts[event.key]) return;
    event.preventDefault();
    acts[event.key]();
  });
  new ResizeObserver(() => plots.forEach((u) => u.setSize({ width: width(), height: u.height }))).observe(area);
})();
