/* Holdfast, the pens: the board. Millimetres of the blank throughout; zoom and pan by its viewBox. */
window.Pens = (function () {
  "use strict";

  const part = (name) => document.getElementById(`pens-${name}`);
  const root = document.getElementById("pens");
  const svg = part("board");
  const size = [+root.dataset.width, +root.dataset.height];
  const shape = size[1] / size[0];
  const view = { x: 0, y: 0, w: size[0] };
  const MOST_ZOOM = 24;

  function make(parent, tag, values) {
    const made = parent.appendChild(document.createElementNS("http://www.w3.org/2000/svg", tag));
    for (const name in values) made.setAttribute(name, values[name]);
    return made;
  }

  const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
  const far = ([ax, ay], [bx, by]) => Math.hypot(bx - ax, by - ay);

  // mm of one CSS pixel
  function pixel() {
    const box = svg.getBoundingClientRect();
    return Math.max(view.w / box.width, (view.w * shape) / box.height);
  }

  function at(event) {
    const { x, y } = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [x, y];
  }

  // Never past the blank.
  function show(x, y, w) {
    view.w = clamp(w, size[0] / MOST_ZOOM, size[0]);
    view.x = clamp(x, 0, size[0] - view.w);
    view.y = clamp(y, 0, size[1] - view.w * shape);
    svg.setAttribute("viewBox", [view.x, view.y, view.w, view.w * shape].map((value) => +value.toFixed(3)).join(" "));
    root.dispatchEvent(new Event("pens-view"));
  }

  const middle = () => [view.x + view.w / 2, view.y + (view.w * shape) / 2];
  const pan = (dx, dy) => show(view.x + dx, view.y + dy, view.w);
  const goTo = (x, y, across) => show(x - across / 2, y - (across * shape) / 2, across);

  // The point keeps its place on the screen.
  function zoom(by, [px, py] = middle()) {
    const share = clamp(view.w / by, size[0] / MOST_ZOOM, size[0]) / view.w;
    show(px - (px - view.x) * share, py - (py - view.y) * share, view.w * share);
  }

  // The cursor of the keyboard never leaves the view.
  function keepInView([x, y]) {
    const edge = view.w * 0.06;
    const by = (value, low, high) => Math.min(value - low - edge, 0) + Math.max(value - high + edge, 0);
    const dx = by(x, view.x, view.x + view.w);
    const dy = by(y, view.y, view.y + view.w * shape);
    if (dx || dy) pan(dx, dy);
  }

  const path = (points) => `M${points.map((p) => p.map((v) => +v.toFixed(3)).join(" ")).join("L")}${points.length < 2 ? "h0" : ""}`;
  const ends = ({ points_mm: points }) => (points.length < 2 ? [] : [points[0], points[points.length - 1]]);

  function strip({ points_mm: [a, b], width_mm }) {
    const half = width_mm / 2 / (far(a, b) || 1);
    const [dx, dy] = [(a[1] - b[1]) * half, (b[0] - a[0]) * half];
    return `${path([[a[0] + dx, a[1] + dy], [b[0] + dx, b[1] + dy], [b[0] - dx, b[1] - dy], [a[0] - dx, a[1] - dy]])}z`;
  }

  const line = (parent, one, look, width) => make(parent, "path", { class: `pens-${look}`, d: path(one.points_mm), "stroke-width": width || one.width_mm });

  // Strokes as they will be cut; over everything thin middles, dashed proposals, what is chosen, the cursor.
  function drawAll({ strokes, proposals, chosen, draft, cursor, start }) {
    const [under, over] = [part("strokes"), part("over")];
    const k = pixel();
    under.replaceChildren();
    over.replaceChildren();
    strokes.forEach((one) => line(under, one, one.pen));
    proposals.forEach((one) => make(over, "path", { class: `pens-strip${one === chosen ? " pens-strip-chosen" : ""}`, d: strip(one) }));
    strokes.forEach((one) => line(over, one, "core"));
    if (chosen) {
      if (!proposals.includes(chosen)) line(over, chosen, "halo", chosen.width_mm + 10 * k);
      ends(chosen).forEach(([cx, cy]) => make(over, "circle", { class: "pens-handle", cx, cy, r: 9 * k }));
    }
    if (draft) {
      line(over, draft, draft.pen);
      line(over, draft, "core");
    }
    if (start) make(over, "circle", { class: "pens-handle", cx: start[0], cy: start[1], r: 5 * k });
    if (cursor) {
      const r = 9 * k;
      const d = `M${cursor[0] - r} ${cursor[1]}h${2 * r}M${cursor[0]} ${cursor[1] - r}v${2 * r}`;
      make(over, "path", { class: "pens-cursor-edge", d });
      make(over, "path", { class: "pens-cursor", d });
    }
  }

  // Marks keep their size on the screen. Many remarks would hide the drawing: from afar they are outlined only.
  function drawMarks({ marks, left_out_paths }) {
    const share = view.w / size[0];
    const isClear = share < 0.6 || marks.filter((one) => one.severity !== "reject").length <= 8;
    part("marks").replaceChildren();
    left_out_paths.forEach(([severity, d]) => make(part("marks"), "path", { class: `pin-outline pin-${severity}`, d }));
    marks.forEach(({ id, severity, x, y, size: wide, at: [ax, ay], path: d }) => {
      const group = make(part("marks"), "g", { class: `pin pin-${severity}` });
      if (d) make(group, "path", { class: "pin-outline", d });
      if (severity !== "reject" && !isClear) return;
      const [mx, my, side] = [ax + (x - ax) * share, ay + (y - ay) * share, wide * share];
      make(group, "path", { class: "pin-lead", d: `M${mx} ${my}L${ax} ${ay}` });
      const sign = make(group, "svg", { x: mx - side / 2, y: my - side / 2, width: side, height: side, viewBox: "0 0 32 32" });
      make(sign, "use", { href: `${root.dataset.marks}#mark-${severity}` });
      make(sign, "text", { x: 16, y: severity === "warn" ? 25 : 21 }).textContent = id;
    });
  }

  return { part, root, svg, size, view, show, MOST_ZOOM, clamp, far, pixel, at, middle, zoom, pan, whole: () => show(0, 0, size[0]), goTo, keepInView, ends, drawAll, drawMarks };
})();
