// Lets a reader look closer: the drawn picture of the record is stretched along its time axis, finer points take the place
// of the thinned ones, and labels find new room. Without this the page is whole. How each group of the picture moves is
// written beside it (`data-moves`, `data-by`); all lengths are in the picture's own units.
(() => {
  "use strict";
  const source = document.getElementById("explore-data");
  const figure = document.getElementById("explore");
  const area = figure && figure.querySelector(".chart");
  if (!source || !area || !area.querySelector("[data-moves=axis]")) return;
  const data = JSON.parse(source.textContent);
  const say = data.words;
  const whole = { from: data.start, to: Math.max(data.end, data.start + 1) };
  let shown = { ...whole };
  let cursor = null; // seconds

  // The record's clock, with the offset from Greenwich in force at each moment.
  const calendar = data.origin_s !== null;
  const firstOffset = calendar ? data.offsets[0][1] : 0;
  const offsetAt = (t) => data.offsets.reduce((held, [from, offset]) => (from <= t ? offset : held), firstOffset);
  const two = (n) => String(n).padStart(2, "0");
  const months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const local = (t) => (calendar ? data.origin_s + offsetAt(t) : 0) + t;
  function clock(t, seconds) {
    const s = Math.round(local(t)), ofDay = calendar ? ((s % 86400) + 86400) % 86400 : s;
    return `${two(Math.floor(ofDay / 3600))}:${two(Math.floor(ofDay / 60) % 60)}${seconds ? ":" + two(ofDay % 60) : ""}`;
  }
  const day = (t) => { const d = new Date(local(t) * 1000); return `${d.getUTCDate()} ${months[d.getUTCMonth()]}`; };

  const add = (parent, tag, text, attributes = {}, svg = false) => {
    const element = svg ? document.createElementNS("http://www.w3.org/2000/svg", tag) : document.createElement(tag);
    if (text) element.textContent = text;
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    parent.append(element);
    return element;
  };

  // A line without what lies left or right of the window: pieces of points.
  function clipped(points, left, right) {
    const pieces = [];
    let piece = [];
    const at = (a, b, x) => [x, a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0])];
    points.forEach((p, i) => {
      const before = i ? points[i - 1] : null;
      if (before && before[0] < left && left < p[0]) piece = [at(before, p, left)];
      if (before && before[0] <= right && right < p[0] && left <= p[0]) piece.push(at(before, p, right));
      else if (left <= p[0] && p[0] <= right) piece.push(p);
    });
    if (piece.length) pieces.push(piece);
    return pieces;
  }
  const written = (points) => points.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" ");
  const read = (text) => text.trim().split(/\s+/).map((pair) => pair.split(",").map(Number));

  // One drawn picture: what its groups are, and how they are drawn for a window of time.
  function chart(svg) {
    const groups = [...svg.querySelectorAll("[data-moves]")].map((g) => ({ g, kind: g.dataset.moves, by: g.dataset.by.split(" ").map(Number), hidden: g.hasAttribute("display"), was: [...g.childNodes] }));
    const [L, R, top, bottom, unit] = groups.find((one) => one.kind === "axis").by;
    const perSecond = (R - L) / (whole.to - whole.from);
    const px = (t) => L + (t - whole.from) * perSecond;
    const line = add(svg, "line", "", { stroke: "#1b2631", "stroke-width": unit, y1: top, y2: bottom, display: "none" }, true);
    const f = (x) => L + (x - px(shown.from)) * (whole.to - whole.from) / (shown.to - shown.from);
    const show = (g, yes) => (yes ? g.removeAttribute("display") : g.setAttribute("display", "none"));
    for (const one of groups) {
      const points = (tag) => [...one.g.querySelectorAll(tag)].map((e) => { const was = e.getAttribute("points"); return [e, read(was), was]; });
      one.lines = points("polyline");
      one.areas = points("polygon");
      one.rects = [...one.g.querySelectorAll("rect")].map((e) => [e, Number(e.getAttribute("x")), Number(e.getAttribute("width"))]);
      one.dots = [...one.g.querySelectorAll("circle")].map((e) => [e, Number(e.getAttribute("cx"))]);
    }
    const within = (x) => Math.min(Math.max(x, L), R);
    const draws = {
      stretch({ lines, areas, rects, dots }) {
        for (const [e, points] of lines) {
          const [piece] = clipped(points.map(([x, y]) => [f(x), y]), L, R);
          show(e, piece); if (piece) e.setAttribute("points", written(piece));
        }
        for (const [e, points] of areas) e.setAttribute("points", written(points.map(([x, y]) => [within(f(x)), y])));
        for (const [e, x, w] of rects) { const a = within(f(x)); e.setAttribute("x", a); e.setAttribute("width", within(f(x + w)) - a); }
        for (const [e, x] of dots) { show(e, L <= f(x) && f(x) <= R); e.setAttribute("cx", f(x)); }
      },
      curve({ g, by, lines, dots }) {
        const [index, low, high, foot, head] = by, c = data.channels[index];
        const y = (p) => foot + (p - low) / (high - low) * (head - foot);
        const pieces = [];
        let run = [];
        for (let i = 0; i < c.t.length; i += 1) {
          if (c.p[i] === null) { if (run.length) pieces.push(run); run = []; continue; }
          const x = f(px(c.t[i]));
          if (c.on_change && run.length) run.push([x, run[run.length - 1][1]]);
          run.push([x, y(c.p[i])]);
        }
        if (run.length) pieces.push(run);
        const path = pieces.flatMap((p) => clipped(p, L, R)).map((p) => "M" + written(p).replaceAll(" ", "L")).join("");
        const [like] = lines[0] || dots[0];
        const old = g.querySelector("path") || add(g, "path", "", { fill: "none", stroke: like.getAttribute("stroke") || like.getAttribute("fill"), "stroke-width": like.getAttribute("stroke-width") || 1.4 * unit }, true);
        old.setAttribute("d", path);
        for (const [e] of [...lines, ...dots]) show(e, false);
      },
      hatch({ g, by, lines }) {
        if (!lines.length) return;
        const [left, head, right, foot, slope, pitch] = by, a = within(f(left)), b = within(f(right));
        const w = b - a, h = foot - head, like = lines[0][0], strokes = [];
        for (let u = -h + pitch / 2; u < w; u += pitch) {
          const [from, to] = [Math.max(u, 0), Math.min(u + h, w)];
          if (to <= from) continue;
          const y = (v) => (slope < 0 ? head + v - u : foot - v + u);
          const stroke = like.cloneNode();
          stroke.setAttribute("points", written([[a + from, y(from)], [a + to, y(to)]]));
          strokes.push(stroke);
        }
        g.replaceChildren(...strokes);
      },
      mark({ g, by: [x] }) { show(g, L <= f(x) && f(x) <= R); g.setAttribute("transform", `translate(${f(x) - x} 0)`); },
      axis({ g, was }) { g.replaceChildren(...ticks(was)); },
    };
    function ticks(was) {
      const texts = was.filter((e) => e.tagName === "text");
      const [like, title] = [texts[0], texts[texts.length - 1]], rule = was.find((e) => e.tagName === "polyline");
      if (!like || !rule) return was;
      const span = shown.to - shown.from, most = (R - L) / (70 * unit), made = [];
      const steps = [1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800];
      const step = steps.find((s) => span / s <= most) || Math.ceil(span / most / 604800) * 604800;
      const text = (x, y, words) => {
        const e = like.cloneNode();
        e.textContent = words; e.setAttribute("x", x); e.setAttribute("y", y); made.push(e);
      };
      const y = Number(like.getAttribute("y"));
      let dayAt = null;
      for (let k = Math.ceil(local(shown.from) / step); ; k += 1) {
        const t = shown.from + k * step - local(shown.from);
        if (shown.to < t) break;
        const e = rule.cloneNode(), x = f(px(t));
        e.setAttribute("points", written([[x, bottom], [x, bottom + 4 * unit]]));
        e.setAttribute("stroke", like.getAttribute("fill"));
        made.push(e);
        text(x, y, clock(t, step < 60));
        if (calendar && day(t) !== dayAt) { dayAt = day(t); text(x, y + 14 * unit, dayAt); }
      }
      made.push(title);
      return made;
    }
    // Names over their moments: the first to come choose their row first.
    function names() {
      const taken = [];
      for (const { g, kind, by, was } of groups) {
        if (kind !== "name") continue;
        const e = was.find((n) => n.tagName === "text");
        const [at, width, foot, rows] = by, x = f(at), half = width / 2 + 2 * unit;
        const end = R + 18 * unit, middle = Math.min(Math.max(x, half), end - half);
        let row = 0;
        const free = (r) => (taken[r] || []).every(([a, b]) => middle + half <= a || b <= middle - half);
        while (row < rows && !free(row)) row += 1;
        const fits = L <= x && x <= R && row < rows;
        show(g, fits);
        if (!fits) continue;
        (taken[row] = taken[row] || []).push([middle - half, middle + half]);
        g.setAttribute("transform", `translate(${middle - Number(e.getAttribute("x"))} ${(rowOf(e, foot) - row) * 14 * unit})`);
      }
    }
    // The row in which a name was drawn: texts hang from their top, a little less than a line above the foot.
    const rowOf = (e, foot) => Math.max(0, Math.round((foot - Number(e.getAttribute("y")) - 8.36 * unit) / (14 * unit)));
    // Labels of what lasts: at its beginning, or at the window's edge while it lasts.
    function labels() {
      const free = {};
      for (const { g, kind, by } of groups) {
        if (kind !== "label") continue;
        const [from, to, left, width, lane, fits] = by, a = f(from), b = Math.min(f(to), R), pad = Math.max(0, left - from);
        let x = Math.max(a, L) + Math.min(pad, 5 * unit);
        if (!fits) x = Math.min(x, R + 16 * unit - width);
        const ok = L <= b && a <= R && (free[lane] ?? -Infinity) <= x && x + width <= (fits ? b : R + 17 * unit);
        show(g, ok);
        if (!ok) continue;
        free[lane] = x + width + 4 * unit;
        g.setAttribute("transform", `translate(${x - left} 0)`);
      }
    }
    function reset() {
      for (const { g, hidden, was, lines, areas, rects, dots } of groups) {
        g.removeAttribute("transform");
        g.replaceChildren(...was);
        show(g, !hidden);
        for (const [e, , points] of [...lines, ...areas]) { show(e, true); e.setAttribute("points", points); }
        for (const [e, x, w] of rects) { e.setAttribute("x", x); e.setAttribute("width", w); }
        for (const [e, x] of dots) { show(e, true); e.setAttribute("cx", x); }
      }
    }
    return {
      whole: reset,
      draw() {
        if (svg.getBoundingClientRect().width === 0) return;
        if (shown.from === whole.from && shown.to === whole.to) reset();
        else { for (const one of groups) if (draws[one.kind]) draws[one.kind](one); names(); labels(); }
        const x = cursor === null ? NaN : f(px(cursor));
        show(line, L <= x && x <= R);
        if (L <= x) { line.setAttribute("x1", x); line.setAttribute("x2", x); }
      },
      time(clientX) {
        const box = svg.getBoundingClientRect();
        const x = (clientX - box.left) / box.width * svg.viewBox.baseVal.width;
        return shown.from + (within(x) - L) / (R - L) * (shown.to - shown.from);
      },
    };
  }
  const charts = [...area.querySelectorAll("svg")].map(chart);
  const visible = (event) => charts[[...area.querySelectorAll("svg")].findIndex((s) => s.contains(event.target))];
  const draw = () => charts.forEach((c) => c.draw());

  // The value at or before a moment; between two points where it is a line.
  const before = (times, t) => { let low = 0, high = times.length; while (low < high) { const m = (low + high) >> 1; if (times[m] <= t) low = m + 1; else high = m; } return low - 1; };
  function tell() {
    const t = cursor;
    const parts = data.channels.map((c) => {
      const p = c.p[before(c.t, t)] ?? null, r = (c.rates[before(c.rates.map((v) => v[0]), t)] || [])[1] ?? null;
      const curve = c.expected.find((e) => e.length && e[0][0] <= t && t <= e[e.length - 1][0]);
      let hoped = "";
      if (curve) {
        const i = Math.min(before(curve.map((v) => v[0]), t), curve.length - 2), [a, b] = [curve[Math.max(i, 0)], curve[i + 1] || curve[0]];
        hoped = ` (${say.expected} ${(a[1] + (b[0] > a[0] ? (b[1] - a[1]) * (t - a[0]) / (b[0] - a[0]) : 0)).toFixed(1)})`;
      }
      return `${c.name}: ${p === null ? say.no_pressure : p + " mmHg" + hoped}, ${r === null ? say.no_rate : r + " mL/h"}`;
    });
    readout.textContent = `${clock(t, true)}${calendar ? ` on ${day(t)}` : ` ${say.since_start}`}. ${parts.join("; ")}.`;
  }
  const tools = document.createElement("div");
  tools.className = "tools";
  tools.setAttribute("role", "group");
  tools.setAttribute("aria-label", say.tools);
  const readout = document.createElement("p");
  readout.className = "readout";
  readout.setAttribute("role", "status");
  readout.textContent = say.closer;
  area.before(tools);
  area.after(readout);
  for (const [name, value] of Object.entries({ tabindex: "0", role: "group", "aria-label": say.chart })) area.setAttribute(name, value);
  if (data.channels.some((c) => !c.whole)) {
    const note = document.createElement("p");
    note.className = "note";
    note.textContent = say.thinned;
    readout.after(note);
  }

  function look(from, to) {
    const span = Math.min(whole.to - whole.from, Math.max(1, (whole.to - whole.from) / 500, to - from));
    const start = Math.min(Math.max(from, whole.from), whole.to - span);
    shown = { from: start, to: start + span };
    draw();
  }
  const zoom = (factor, around = (shown.from + shown.to) / 2) => look(around - (around - shown.from) * factor, around + (shown.to - around) * factor);
  const pan = (share) => { const by = (shown.to - shown.from) * share; look(shown.from + by, shown.to + by); };
  const reset = () => look(whole.from, whole.to);
  const point = (t) => { cursor = Math.min(Math.max(t, shown.from), shown.to); tell(); draw(); };
  const button = (text, act) => add(tools, "button", text, { type: "button" }).addEventListener("click", act);
  button(say.zoom_in, () => zoom(0.5));
  button(say.zoom_out, () => zoom(2));
  button(say.earlier, () => pan(-0.5));
  button(say.later, () => pan(0.5));
  button(say.whole_record, reset);

  // A drag across the picture zooms to what it crossed; a finger's drag up or down still scrolls the page.
  let dragged = null;
  area.addEventListener("pointerdown", (event) => { const c = visible(event); if (c && event.button === 0) dragged = { c, x: event.clientX, t: c.time(event.clientX) }; });
  area.addEventListener("pointermove", (event) => {
    const c = visible(event);
    if (c) point(c.time(event.clientX));
  });
  addEventListener("pointerup", (event) => {
    if (dragged && 8 < Math.abs(event.clientX - dragged.x)) {
      const t = dragged.c.time(event.clientX);
      look(Math.min(t, dragged.t), Math.max(t, dragged.t));
    }
    dragged = null;
  });
  addEventListener("pointercancel", () => { dragged = null; });
  area.addEventListener("dblclick", reset);
  area.addEventListener("keydown", (event) => {
    const span = shown.to - shown.from, at = cursor === null || cursor < shown.from || shown.to < cursor ? (shown.from + shown.to) / 2 : cursor;
    const step = span * (event.shiftKey ? 0.04 : 0.004);
    const move = (t) => { if (t < shown.from) pan(-0.25); if (shown.to < t) pan(0.25); point(Math.min(Math.max(t, whole.from), whole.to)); };
    const acts = {
      ArrowLeft: () => move(at - step),
      ArrowRight: () => move(at + step),
      "+": () => zoom(0.5, at),
      "=": () => zoom(0.5, at),
      "-": () => zoom(2, at),
      Home: reset,
    };
    if (!acts[event.key]) return;
    event.preventDefault();
    acts[event.key]();
  });
  addEventListener("resize", draw);
  addEventListener("beforeprint", () => charts.forEach((c) => c.whole()));
  addEventListener("afterprint", draw);
})();
