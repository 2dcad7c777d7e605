/* Holdfast: a drawing moved on its blank, and strokes by two presses. The numbers in the form are
 * the truth; the picture only follows them until the check looks at what comes of it. */
(function () {
  "use strict";

  const picture = document.getElementById("propose-picture");
  const form = document.getElementById("propose");
  if (!picture || !form) return;

  const drawing = document.getElementById("propose-drawing");
  const lines = document.getElementById("propose-strokes");
  const told = document.getElementById("propose-told");
  const field = (name) => form.elements[name];
  const base = {
    x: +picture.dataset.x,
    y: +picture.dataset.y,
    scale: +picture.dataset.scale,
    turn: +picture.dataset.turn,
  };
  const SVG = "http://www.w3.org/2000/svg";
  let first = null;
  // Strokes that the check has looked at are in the picture already; only newer ones are drawn.
  let inPicture = new Set();

  function number(input, otherwise) {
    const value = parseFloat(input.value.replace(",", "."));
    return Number.isNaN(value) ? otherwise : value;
  }

  function shown(value) {
    return String(Math.round(value * 1000) / 1000);
  }

  // From where the pictured drawing lies to where the numbers put it.
  function draw() {
    const x = number(field("x_mm"), base.x);
    const y = number(field("y_mm"), base.y);
    const scale = number(field("scale_percent"), base.scale) / base.scale;
    const turn = number(field("turn_deg"), 0) - base.turn;
    drawing.setAttribute(
      "transform",
      `translate(${x} ${y}) rotate(${turn}) scale(${scale}) translate(${-base.x} ${-base.y})`
    );
    lines.replaceChildren();
    rows().forEach((row) => {
      const values = ["x1", "y1", "x2", "y2"].map((name) => number(row[name], NaN));
      if (!row.pen.value || values.some(Number.isNaN) || inPicture.has(written(row))) return;
      line(values, row.pen.value, number(row.width, 1.5));
    });
    if (first) line([first.x, first.y, first.x, first.y], "first", 2);
  }

  function line(values, pen, width) {
    const made = lines.appendChild(document.createElementNS(SVG, "line"));
    ["x1", "y1", "x2", "y2"].forEach((name, at) => made.setAttribute(name, values[at]));
    made.setAttribute("class", `stroke stroke-${pen}`);
    made.setAttribute("stroke-width", width);
  }

  function written(row) {
    return ["pen", "x1", "y1", "x2", "y2", "width"].map((name) => row[name].value).join(" ");
  }

  function rows() {
    return [...form.querySelectorAll("[data-stroke]")].map((row, at) => {
      const own = { row };
      ["pen", "x1", "y1", "x2", "y2", "width"].forEach((name) => (own[name] = field(`stroke-${at}-${name}`)));
      return own;
    });
  }

  function freeRow() {
    const free = rows().find((row) => !row.pen.value && !row.x1.value && !row.x2.value);
    return free || addRow();
  }

  // A further row is a copy of the last with its number raised.
  function addRow() {
    const total = field("stroke-TOTAL_FORMS");
    const last = [...form.querySelectorAll("[data-stroke]")].pop();
    const row = last.cloneNode(true);
    const at = +total.value;
    row.querySelectorAll("[name], [for]").forEach((part) => {
      ["name", "id", "for"].forEach((name) => {
        const value = part.getAttribute(name);
        if (value) part.setAttribute(name, value.replace(/stroke-\d+/, `stroke-${at}`));
      });
      if ("value" in part) part.value = "";
    });
    row.querySelectorAll("label").forEach((label) => {
      label.textContent = label.textContent.replace(/Stroke \d+/, `Stroke ${at + 1}`);
    });
    last.after(row);
    total.value = at + 1;
    return rows()[at];
  }

  function inMm(event) {
    return new DOMPoint(event.clientX, event.clientY).matrixTransform(picture.getScreenCTM().inverse());
  }

  picture.setAttribute("tabindex", "0");
  picture.addEventListener("click", (event) => {
    const at = inMm(event);
    if (!first) {
      first = at;
      told.textContent = `First point at ${at.x.toFixed(1)}, ${at.y.toFixed(1)} mm. Press the second; Escape drops it.`;
    } else {
      const row = freeRow();
      row.pen.value = document.getElementById("pen-now").value;
      row.width.value = document.getElementById("width-now").value;
      row.x1.value = first.x.toFixed(1);
      row.y1.value = first.y.toFixed(1);
      row.x2.value = at.x.toFixed(1);
      row.y2.value = at.y.toFixed(1);
      first = null;
      told.textContent = "The stroke is in the list. Look at it to see what comes of it.";
    }
    draw();
  });

  picture.addEventListener("keydown", (event) => {
    const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (event.key === "Escape") first = null;
    else if (!way) return;
    else {
      field("x_mm").value = shown(number(field("x_mm"), base.x) + way[0] * step);
      field("y_mm").value = shown(number(field("y_mm"), base.y) + way[1] * step);
      told.textContent = `Centre at ${field("x_mm").value}, ${field("y_mm").value} mm.`;
    }
    draw();
    event.preventDefault();
  });

  // Arrow keys in a number take the step that suits it.
  form.querySelectorAll("[data-step]").forEach((input) =>
    input.addEventListener("keydown", (event) => {
      if (event.key !== "ArrowUp" && event.key !== "ArrowDown") return;
      const step = +input.dataset.step * (event.shiftKey ? 10 : event.altKey ? 0.2 : 1);
      input.value = shown(number(input, 0) + (event.key === "ArrowUp" ? step : -step));
      draw();
      event.preventDefault();
    })
  );

  form.addEventListener("input", draw);
  if ("looked" in picture.dataset) inPicture = new Set(rows().map(written));
  draw();
})();
