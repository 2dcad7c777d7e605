/* Holdfast: corners of the paper, ink level, and place on the blank, seen before they are saved.
 * The numbers in the form are the truth; the pictures follow them. Lengths are mm, corners are dots
 * of the picture as displayed, dot centres at whole numbers. Without this script the numbers do. */
(function () {
  "use strict";

  // ---- arithmetic, kept apart so that it can be tried by itself

  /** Return the 3 x 3 matrix, row by row, that takes four points to four others. */
  function homography(from, to) {
    const rows = [];
    from.forEach(([x, y], at) => {
      const [u, v] = to[at];
      rows.push([x, y, 1, 0, 0, 0, -u * x, -u * y, u], [0, 0, 0, x, y, 1, -v * x, -v * y, v]);
    });
    for (let at = 0; at < 8; at++) {
      let best = at;
      for (let row = at + 1; row < 8; row++) if (Math.abs(rows[row][at]) > Math.abs(rows[best][at])) best = row;
      [rows[at], rows[best]] = [rows[best], rows[at]];
      for (let row = 0; row < 8; row++) {
        if (row === at) continue;
        const share = rows[row][at] / rows[at][at];
        for (let column = at; column < 9; column++) rows[row][column] -= share * rows[at][column];
      }
    }
    return [...rows.map((row, at) => row[8] / row[at]), 1];
  }

  function through(m, [x, y]) {
    const w = m[6] * x + m[7] * y + m[8];
    return [(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w];
  }

  /** Return where a point of the paper lies on the blank. */
  function placed([x, y], at) {
    const turn = (at.turn * Math.PI) / 180;
    const [dx, dy] = [x - at.centre[0], y - at.centre[1]];
    const [cos, sin] = [Math.cos(turn), Math.sin(turn)];
    return [at.place[0] + at.scale * (cos * dx - sin * dy), at.place[1] + at.scale * (sin * dx + cos * dy)];
  }

  /** Return [left, top, right, bottom] of points. */
  function extent(points) {
    const [xs, ys] = [0, 1].map((axis) => points.map((point) => point[axis]));
    return [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
  }

  /** Return 1 3/32 in for a length in mm. */
  function inches(mm) {
    let [whole, part, under] = [Math.floor(Math.round((mm / 25.4) * 32) / 32), Math.round((mm / 25.4) * 32) % 32, 32];
    while (part && part % 2 === 0) [part, under] = [part / 2, under / 2];
    return [whole || !part ? whole : "", part ? `${part}/${under}` : ""].filter((word) => word !== "").join(" ") + " in";
  }

  window.HoldfastStraighten = { homography, through, placed, extent, inches };

  const form = document.getElementById("straighten");
  if (!form) return;

  const one = (id) => document.getElementById(id);
  const field = (name) => form.elements[name];
  const SVG = "http://www.w3.org/2000/svg";
  const CORNERS = ["tl", "tr", "br", "bl"];
  const WORDS = ["Top left corner", "Top right corner", "Bottom right corner", "Bottom left corner"];
  const sizes = JSON.parse(one("straighten-sizes").textContent);
  const strokes = JSON.parse(one("straighten-strokes").textContent);
  const SHOWN_PX = 900;

  let measured = null; // what the workshop's computer measured last
  let saved = null; // the placement that the strokes were drawn on
  let savedPaper = "";
  let corners = []; // as shown: those typed, else those found
  let dots = null; // the picture, for the straight view while a corner moves
  let greys = null; // the straightened paper, evened out: {data, width, height}

  const number = (name) => {
    const value = parseFloat(String(field(name).value).replace(",", "."));
    return Number.isFinite(value) ? value : null;
  };
  const written = (value, places) => String(+value.toFixed(places));
  const isTyped = () => CORNERS.some((corner) => field(`${corner}_x`).value || field(`${corner}_y`).value);
  const typedCorners = () => CORNERS.map((corner) => [number(`${corner}_x`), number(`${corner}_y`)]);
  const paperKey = () => CORNERS.map((c) => `${field(`${c}_x`).value},${field(`${c}_y`).value}`).join(" ") + field("paper").value + (field("paper").value === "same" ? field("blank").value : "");

  function query(names) {
    const asked = new URLSearchParams({ v: form.elements.version.value });
    names.forEach((name) => field(name).value !== "" && asked.set(name, field(name).value));
    return asked;
  }
  const CORNER_NAMES = CORNERS.flatMap((corner) => [`${corner}_x`, `${corner}_y`]);
  const PAPER_NAMES = ["blank", "paper", ...CORNER_NAMES];

  function attributes(part, values) {
    Object.entries(values).forEach(([name, value]) => part.setAttribute(name, value));
    return part;
  }

  function later(what, wait) {
    let timer = 0;
    return () => {
      clearTimeout(timer);
      timer = setTimeout(what, wait);
    };
  }

  /** Do a longer piece of work once, after the next picture on the screen, so that no press waits for it. */
  function afterPaint(what) {
    let isComing = false;
    return () => {
      if (isComing) return;
      isComing = true;
      requestAnimationFrame(() =>
        setTimeout(() => {
          isComing = false;
          what();
        })
      );
    };
  }

  // ---- what is asked of the workshop's computer

  let asking = null;

  async function measure() {
    if (asking) asking.abort();
    asking = new AbortController();
    form.dataset.asking = "1";
    try {
      const answer = await fetch(`${form.dataset.measure}?${query([...PAPER_NAMES, "ink_percent", "turn_deg"])}`, { signal: asking.signal });
      const found = await answer.json();
      delete form.dataset.asking;
      if (!answer.ok) {
        one("corner-told").textContent = found.error;
        return null;
      }
      return take(found);
    } catch (error) {
      if (error.name !== "AbortError") one("corner-told").textContent = "The workshop’s computer does not answer. What you set here is kept; try again in a moment.";
      return null;
    }
  }

  function take(found) {
    const isFirst = !measured;
    measured = found;
    if (isFirst && found.lie) {
      saved = found.lie.placement;
      savedPaper = paperKey();
    }
    if (found.size_px) {
      if (isTyped() && !corners.length) corners = typedCorners();
      if (!isTyped() && !holding) corners = found.page ? found.page.corners_px.map((corner) => [...corner]) : inset(found.size_px);
      if (isFirst) laidOut(found.size_px);
      drawCorners();
    }
    const from = { given: "You set the corners.", markers: "Found by the marks of the drawing sheet.", "paper-edges": "Found by the edges of the paper.", dpi: "Taken at true size by the scan’s own resolution.", "whole-image": "The whole picture is the paper." };
    let words = found.error || from[found.page.found] || "";
    if (found.error && !found.page && found.size_px) words += " Drag each ring onto a corner of the paper.";
    if (strokes.length && found.lie && savedPaper !== paperKey()) words += " Your strokes stay where they lie on the stencil.";
    one("corner-told").textContent = words;
    drawPlace();
    return found;
  }

  function inset([width, height]) {
    const [x, y] = [width * 0.1, height * 0.1];
    return [[x, y], [width - x, y], [width - x, height - y], [x, height - y]].map((corner) => corner.map(Math.round));
  }

  let askedPaper = "";

  function loadPaper() {
    const address = `${form.dataset.paper}?${query(PAPER_NAMES)}`;
    if (address === askedPaper) return;
    askedPaper = address;
    const picture = new Image();
    picture.onload = () => {
      if (address !== askedPaper) return;
      greys = pixels(picture, picture.naturalWidth, picture.naturalHeight);
      drawInk();
    };
    picture.onerror = () => {
      if (address !== askedPaper) return;
      greys = null;
      askedPaper = "";
      drawInk();
    };
    picture.src = address;
  }

  function pixels(picture, width, height) {
    const canvas = document.createElement("canvas");
    Object.assign(canvas, { width, height });
    const context = canvas.getContext("2d", { willReadFrequently: true });
    context.drawImage(picture, 0, 0, width, height);
    const shown = context.getImageData(0, 0, width, height).data;
    const data = new Uint8Array(width * height);
    for (let at = 0; at < data.length; at++) data[at] = shown[4 * at];
    return { data, width, height };
  }

  const measureSoon = later(measure, 250);
  const loadPaperSoon = later(loadPaper, 250);
  const lookAgain = () => {
    measureSoon();
    loadPaperSoon();
  };

  // ---- corners

  let holding = null; // {at, start, from}
  const view = one("corner-view");

  function laidOut([width, height]) {
    const room = 0.04 * Math.max(width, height);
    attributes(view, { viewBox: `${-0.5 - room} ${-0.5 - room} ${width + 2 * room} ${height + 2 * room}` });
    const address = `${form.dataset.source}?v=${form.elements.version.value}`;
    ["corner-image", "loupe-image"].forEach((id) => attributes(one(id), { href: address, x: -0.5, y: -0.5, width, height }));
    const picture = new Image();
    picture.onload = () => {
      const smaller = Math.min(1, SHOWN_PX / Math.max(width, height));
      dots = pixels(picture, Math.max(1, Math.round(width * smaller)), Math.max(1, Math.round(height * smaller)));
      drawStraight();
    };
    picture.src = address;
    corners.forEach((_, at) => {
      const handle = attributes(document.createElementNS(SVG, "g"), { class: "corner-handle", id: `corner-${CORNERS[at]}`, tabindex: 0, role: "slider", "aria-label": WORDS[at] });
      ["reach", "ring-under", "ring"].forEach((name) => attributes(handle.appendChild(document.createElementNS(SVG, "circle")), { class: name }));
      one("corner-handles").append(handle);
      handle.addEventListener("pointerdown", (event) => hold(event, at));
      handle.addEventListener("pointermove", drag);
      ["pointerup", "pointercancel"].forEach((name) => handle.addEventListener(name, letGo));
      handle.addEventListener("keydown", (event) => nudge(event, at));
      handle.addEventListener("focus", () => loupe(at));
      handle.addEventListener("blur", () => one("loupe").setAttribute("hidden", ""));
    });
  }

  function inDots(event) {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(view.getScreenCTM().inverse());
    return [point.x, point.y];
  }

  function hold(event, at) {
    holding = { at, start: inDots(event), from: [...corners[at]] };
    event.currentTarget.setPointerCapture(event.pointerId);
    event.currentTarget.classList.add("held");
    event.currentTarget.focus({ preventScroll: true });
    event.preventDefault();
    loupe(at);
  }

  function drag(event) {
    if (!holding) return;
    const now = inDots(event);
    moveTo(holding.at, holding.from.map((value, axis) => value + now[axis] - holding.start[axis]));
  }

  function letGo(event) {
    if (!holding) return;
    event.currentTarget.classList.remove("held");
    const moved = corners[holding.at].some((value, axis) => value !== holding.from[axis]);
    holding = null;
    if (moved) lookAgain();
  }

  function nudge(event, at) {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!way) return;
    const step = event.shiftKey ? 10 : 1;
    moveTo(at, corners[at].map((value, axis) => value + way[axis] * step));
    event.preventDefault();
    lookAgain();
  }

  function moveTo(at, [x, y]) {
    const [width, height] = measured.size_px;
    corners[at] = [Math.min(Math.max(x, -0.04 * width), 1.04 * width), Math.min(Math.max(y, -0.04 * height), 1.04 * height)].map((value) => +value.toFixed(1));
    CORNERS.forEach((corner, index) => {
      field(`${corner}_x`).value = written(corners[index][0], 2);
      field(`${corner}_y`).value = written(corners[index][1], 2);
    });
    drawCorners();
    loupe(at);
  }

  function dotsPerPx() {
    const matrix = view.getScreenCTM();
    return matrix && matrix.a ? 1 / matrix.a : 1;
  }

  function drawCorners() {
    const px = dotsPerPx();
    const line = corners.map((corner) => corner.join(",")).join(" ");
    const [width, height] = measured.size_px;
    one("corner-sheet").setAttribute("points", line);
    one("loupe-sheet").setAttribute("points", line);
    one("corner-beyond").setAttribute("d", `M-.5-.5H${width - 0.5}V${height - 0.5}H-.5ZM${line.replace(/ /g, "L")}Z`);
    [...one("corner-handles").children].forEach((handle, at) => {
      const [x, y] = corners[at];
      const radii = [24, 13, 13];
      [...handle.children].forEach((circle, index) => attributes(circle, { cx: x, cy: y, r: radii[index] * px }));
      attributes(handle, { "aria-valuenow": Math.round(x), "aria-valuemin": Math.round(-0.04 * width), "aria-valuemax": Math.round(1.04 * width), "aria-valuetext": `${written(x, 1)} across, ${written(y, 1)} down` });
    });
    drawStraightSoon();
  }

  // The glass lies in the upper corner that is farther from the finger.
  function loupe(at) {
    const glass = one("loupe");
    const [x, y] = corners[at];
    glass.removeAttribute("hidden");
    glass.classList.toggle("loupe-right", x < measured.size_px[0] / 2);
    const side = (glass.clientWidth || 150) * dotsPerPx() * 0.25;
    attributes(glass, { viewBox: `${x - side / 2} ${y - side / 2} ${side} ${side}` });
    one("loupe-cross").setAttribute("d", `M${x - side / 6} ${y}h${side / 3}M${x} ${y - side / 6}v${side / 3}`);
  }

  function paperSize() {
    const chosen = field("paper").value;
    return chosen === "same" ? sizes.blanks[field("blank").value].slice(0, 2) : sizes.papers[chosen];
  }

  function drawStraight() {
    if (!dots || !corners.length) return;
    const canvas = one("straight-view");
    const [wide, high] = isTyped() || !measured.page ? paperSize() : measured.page.size_mm;
    const scale = 360 / Math.max(wide, high);
    Object.assign(canvas, { width: Math.round(wide * scale), height: Math.round(high * scale) });
    const share = dots.width / measured.size_px[0];
    const { width, height } = canvas;
    const back = homography(
      [[0, 0], [width, 0], [width, height], [0, height]].map((corner) => corner.map((value) => value - 0.5)),
      corners.map((corner) => corner.map((value) => (value + 0.5) * share - 0.5))
    );
    const picture = new ImageData(width, height);
    const shown = new Uint32Array(picture.data.buffer);
    const { data, width: row, height: rows } = dots;
    for (let y = 0; y < height; y++) {
      for (let x = 0; x < width; x++) {
        // through(back, [x, y]) without lists: this runs for every dot
        const w = back[6] * x + back[7] * y + 1;
        const u = (back[0] * x + back[1] * y + back[2]) / w;
        const v = (back[3] * x + back[4] * y + back[5]) / w;
        const left = Math.floor(u);
        const top = Math.floor(v);
        let grey = 128;
        if (left >= 0 && top >= 0 && left < row - 1 && top < rows - 1) {
          const at = top * row + left;
          const a = u - left;
          const above = data[at] * (1 - a) + data[at + 1] * a;
          const below = data[at + row] * (1 - a) + data[at + row + 1] * a;
          grey = (above + (below - above) * (v - top) + 0.5) | 0;
        }
        shown[y * width + x] = 0xff000000 | (grey * 0x10101);
      }
    }
    canvas.getContext("2d").putImageData(picture, 0, 0);
  }
  const drawStraightSoon = afterPaint(drawStraight);

  one("find-corners").addEventListener("click", () => {
    CORNER_NAMES.forEach((name) => (field(name).value = ""));
    lookAgain();
  });

  // ---- ink

  const slide = one("ink-slide");
  const level = () => (number("ink_percent") === null ? 0.5 : number("ink_percent") / 100);

  function drawInk() {
    const percent = number("ink_percent");
    one("ink-auto").checked = percent === null;
    slide.value = percent === null ? 50 : percent;
    one("ink-told").textContent = percent === null ? "Halfway between ink and paper." : `${written(percent, 1)} % of the way from ink to paper.`;
    const canvas = one("ink-view");
    const context = canvas.getContext("2d");
    if (!greys) {
      context.clearRect(0, 0, canvas.width, canvas.height);
      ["place-ink", "place-red"].forEach((id) => one(id).removeAttribute("href"));
      return;
    }
    const { data, width, height } = greys;
    Object.assign(canvas, { width, height });
    const least = 256 * level();
    const [shown, ink, red] = [0, 1, 2].map(() => new ImageData(width, height));
    const [shownAll, inkAll, redAll] = [shown, ink, red].map((picture) => new Uint32Array(picture.data.buffer));
    for (let at = 0; at < data.length; at++) {
      const value = data[at];
      if (value < least) {
        shownAll[at] = inkAll[at] = 0xff191f23;
        const stripe = ((at % width) + Math.floor(at / width)) % 12 < 6;
        redAll[at] = stripe ? 0xff1c2198 : 0xffd9e4f8;
      } else {
        const pale = 255 - Math.round((255 - value) * 0.55);
        shownAll[at] = 0xff000000 | (pale << 16) | (pale << 8) | pale;
      }
    }
    context.putImageData(shown, 0, 0);
    [["place-ink", ink], ["place-red", red]].forEach(([id, picture]) => {
      const drawn = document.createElement("canvas");
      Object.assign(drawn, { width, height });
      drawn.getContext("2d").putImageData(picture, 0, 0);
      one(id).setAttribute("href", drawn.toDataURL());
    });
    drawPlace();
  }

  const drawInkSoon = afterPaint(drawInk);
  slide.addEventListener("input", () => {
    field("ink_percent").value = slide.value;
    drawInkSoon(); // tells the level when it shows it
    measureSoon();
  });
  one("ink-auto").addEventListener("change", (event) => {
    field("ink_percent").value = event.target.checked ? "" : slide.value;
    drawInkSoon(); // tells the level when it shows it
    measureSoon();
  });

  // ---- place

  const stage = one("place-view");
  const SLIDE_RANGE = 4; // the slide goes from a quarter to four times

  function placement() {
    const lie = measured.lie;
    const [x, y] = [number("x_mm"), number("y_mm")];
    const place = x === null || y === null ? lie.usual_mm : [x, y];
    return { centre: lie.centre_mm, place, scale: (number("scale_percent") || 100) / 100, turn: number("turn_deg") || 0 };
  }

  function drawPlace() {
    const [width, height, margin] = sizes.blanks[field("blank").value];
    const room = 0.12 * Math.max(width, height);
    attributes(stage, { viewBox: `${-room} ${-room} ${width + 2 * room} ${height + 2 * room}` });
    attributes(one("place-film"), { width, height });
    attributes(one("place-margin"), { x: margin, y: margin, width: width - 2 * margin, height: height - 2 * margin });
    one("place-beyond-path").setAttribute("d", `M${-9 * width}${-9 * height}H${9 * width}V${9 * height}H${-9 * width}ZM${margin} ${margin}H${width - margin}V${height - margin}H${margin}Z`);
    if (!measured || !measured.lie) {
      one("place-told").textContent = measured && measured.error ? "The drawing shows here as soon as the paper is found and something is drawn on it." : "";
      return;
    }
    const at = placement();
    const turned = `translate(${at.place[0]} ${at.place[1]}) rotate(${at.turn}) scale(${at.scale}) translate(${-at.centre[0]} ${-at.centre[1]})`;
    ["place-drawing", "place-over"].forEach((id) => one(id).setAttribute("transform", turned));
    const [wide, high] = measured.page.size_mm;
    ["place-ink", "place-red"].forEach((id) => attributes(one(id), { width: wide, height: high, preserveAspectRatio: "none" }));
    drawStrokes(turned);
    const box = extent(measured.lie.hull_mm.map((point) => placed(point, at)));
    tell(box, width, height, margin);
    const percent = 100 * at.scale;
    one("scale-slide").value = 500 + (500 * Math.log(percent / 100)) / Math.log(SLIDE_RANGE);
    const size = [box[2] - box[0], box[3] - box[1]];
    one("size-told").textContent = `${written(percent, 2)} %: what is cut is ${size.map((side) => written(side, 1)).join(" × ")} mm (${size.map(inches).join(" × ")}).`;
    ["x_mm", "y_mm"].forEach((name, axis) => (field(name).placeholder = written(measured.lie.usual_mm[axis], 2)));
    form.dataset.ready = "1";
  }

  // Strokes go along with the drawing as long as the paper is read as before.
  function drawStrokes(turned) {
    const goAlong = saved && savedPaper === paperKey();
    const [scale, turn, x, y] = goAlong ? saved : [1, 0, 0, 0];
    const group = attributes(one("place-strokes"), { transform: goAlong ? `${turned} scale(${1 / scale}) rotate(${-turn}) translate(${-x} ${-y})` : "" });
    if (group.childElementCount === strokes.length) return;
    group.replaceChildren(...strokes.map((stroke) => attributes(document.createElementNS(SVG, "polyline"), {
      points: [...stroke.points_mm, stroke.points_mm[stroke.points_mm.length - 1]].map((point) => point.join(",")).join(" "),
      class: `place-stroke place-stroke-${stroke.pen}`,
      "stroke-width": stroke.width_mm,
    })));
  }

  function tell(box, width, height, margin) {
    const sides = { left: box[0], top: box[1], right: width - box[2], bottom: height - box[3] };
    const [side, nearest] = Object.entries(sides).sort((a, b) => a[1] - b[1])[0];
    const where = { left: "on the left", top: "at the top", right: "on the right", bottom: "at the bottom" }[side];
    const mm = (value) => `${written(value, 1)} mm`;
    let words = `It keeps the margin: ${mm(nearest)} of clear film ${where}, and ${margin} mm are wanted.`;
    if (nearest < 0) words = `It leaves the stencil: by ${mm(-nearest)} ${where}. That cannot be cut.`;
    else if (nearest < margin - 1e-6) words = `It comes into the margin: only ${mm(nearest)} of clear film ${where}, and ${margin} mm are wanted.`;
    const told = one("place-told");
    if (told.textContent !== words) told.textContent = words;
    told.dataset.state = nearest < 0 ? "leaves" : nearest < margin - 1e-6 ? "margin" : "keeps";
  }

  function move(x, y) {
    field("x_mm").value = written(x, 3);
    field("y_mm").value = written(y, 3);
    drawPlace();
  }

  let carrying = null;
  const inMm = (event) => new DOMPoint(event.clientX, event.clientY).matrixTransform(stage.getScreenCTM().inverse());

  stage.addEventListener("pointerdown", (event) => {
    if (!measured || !measured.lie || event.button) return;
    const start = inMm(event);
    carrying = { start, from: placement().place };
    stage.setPointerCapture(event.pointerId);
  });
  stage.addEventListener("pointermove", (event) => {
    if (!carrying) return;
    const now = inMm(event);
    move(...[carrying.from[0] + now.x - carrying.start.x, carrying.from[1] + now.y - carrying.start.y].map((value) => +value.toFixed(1)));
  });
  ["pointerup", "pointercancel"].forEach((name) => stage.addEventListener(name, () => (carrying = null)));
  stage.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!way || !measured || !measured.lie) return;
    const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
    const { place } = placement();
    move(place[0] + way[0] * step, place[1] + way[1] * step);
    event.preventDefault();
  });

  one("scale-slide").addEventListener("input", (event) => {
    field("scale_percent").value = Math.round(100 * SLIDE_RANGE ** ((event.target.value - 500) / 500));
    drawPlace();
  });
  one("place-usual").addEventListener("click", () => {
    field("x_mm").value = field("y_mm").value = "";
    drawPlace();
  });

  const PRESSES = {
    "true-size": () => (field("scale_percent").value = "100"),
    quarter: () => (field("turn_deg").value = written(((number("turn_deg") || 0) + 90) % 360, 3)),
    largest: async () => {
      const found = await measure();
      if (!found || !found.largest) return;
      field("scale_percent").value = written(100 * found.largest.scale, 2);
      [field("x_mm").value, field("y_mm").value] = found.largest.place_mm.map((value) => written(value, 3));
    },
  };
  form.addEventListener("click", async (event) => {
    const button = event.target.closest("button[name=do]");
    if (!button || !PRESSES[button.value]) return;
    event.preventDefault();
    await PRESSES[button.value]();
    drawPlace();
  });

  form.addEventListener("input", (event) => {
    const name = event.target.name || "";
    if (CORNER_NAMES.includes(name)) {
      const typed = typedCorners();
      if (typed.flat().every((value) => value !== null)) {
        corners = typed;
        drawCorners();
      }
      lookAgain();
    } else if (name === "paper" || name === "blank") {
      if (name === "blank") field("x_mm").value = field("y_mm").value = "";
      lookAgain();
      drawPlace();
    } else if (["x_mm", "y_mm", "scale_percent", "turn_deg"].includes(name)) drawPlace();
  });

  window.addEventListener("resize", () => measured && measured.size_px && drawCorners());
  drawPlace();
  measure();
  loadPaper();
})();
