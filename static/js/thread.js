/* Holdfast: the thread of an order. A pin is put on the drawing by mouse, touch or arrow keys; the
 * two number fields hold it, so that the form works without any of this. */
(function () {
  "use strict";

  const form = document.querySelector("form[data-talk]");
  const SVG = "http://www.w3.org/2000/svg";

  // A refresh tells whether somebody is looking, and never sweeps away a message being changed.
  document.addEventListener("fill:configRequest", (event) => {
    if (event.detail.elt.id !== "talk-list") return;
    if (document.visibilityState === "visible") event.detail.parameters.set("visible", "1");
  });
  document.addEventListener("fill:beforeRequest", (event) => {
    const list = event.detail.elt;
    if (list.id !== "talk-list") return;
    const typed = [...list.querySelectorAll("details[open] textarea")];
    if (typed.some((field) => field.value !== field.defaultValue)) event.preventDefault();
  });

  if (!form) return;
  const plates = [...form.querySelectorAll("[data-pin-plate]")];
  const about = form.elements.about;
  const x = form.elements.x_mm;
  const y = form.elements.y_mm;
  if (!plates.length || !about || !x) return;
  const told = form.querySelector("[data-pin-told]");
  const off = form.querySelector("[data-pin-off]");
  const choose = form.querySelector("[data-pin-choose]");

  function plateNow() {
    return plates.find((plate) => plate.dataset.pinPlate === about.value);
  }

  function round(value, most) {
    return Math.round(Math.min(Math.max(value, 0), most) * 10) / 10;
  }

  function draw() {
    const shown = plateNow();
    plates.forEach((plate) => {
      plate.hidden = plate !== shown;
      const svg = plate.querySelector("svg");
      svg.replaceChildren();
      if (plate !== shown || x.value === "" || y.value === "") return;
      const size = 0.11 * Math.max(Number(svg.dataset.width), Number(svg.dataset.height));
      const pin = document.createElementNS(SVG, "svg");
      pin.setAttribute("class", "talk-pin");
      pin.setAttribute("x", Number(x.value) - size / 2);
      pin.setAttribute("y", Number(y.value) - size);
      pin.setAttribute("width", size);
      pin.setAttribute("height", size);
      pin.setAttribute("viewBox", "0 0 32 32");
      pin.setAttribute("overflow", "visible");
      const path = document.createElementNS(SVG, "path");
      path.setAttribute("d", "M16 32 8.5 20a10.5 10.5 0 1 1 15 0Z");
      pin.append(path);
      svg.append(pin);
    });
    choose.hidden = Boolean(shown);
    const isSet = x.value !== "" && y.value !== "";
    off.hidden = !isSet;
    told.textContent = isSet ? `The pin is ${x.value} mm from the left, ${y.value} mm from the top.` : "";
  }

  function put(svg, atX, atY) {
    x.value = round(atX, Number(svg.dataset.width));
    y.value = round(atY, Number(svg.dataset.height));
    draw();
  }

  function takeOff() {
    x.value = "";
    y.value = "";
    draw();
  }

  function at(svg, event) {
    const box = svg.getBoundingClientRect();
    put(
      svg,
      ((event.clientX - box.left) / box.width) * Number(svg.dataset.width),
      ((event.clientY - box.top) / box.height) * Number(svg.dataset.height),
    );
  }

  plates.forEach((plate) => {
    const svg = plate.querySelector("svg");
    svg.setAttribute("tabindex", "0");
    let isDragged = false;
    svg.addEventListener("click", (event) => at(svg, event));
    // a tap puts it and a swipe scrolls; only what begins on the pin drags it
    svg.addEventListener("pointerdown", (event) => {
      isDragged = Boolean(event.target.closest(".talk-pin"));
      if (isDragged) svg.setPointerCapture(event.pointerId);
    });
    svg.addEventListener("pointermove", (event) => {
      if (isDragged) at(svg, event);
    });
    ["pointerup", "pointercancel"].forEach((name) => {
      svg.addEventListener(name, () => {
        isDragged = false;
      });
    });
    svg.addEventListener("keydown", (event) => {
      const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
      const width = Number(svg.dataset.width);
      const height = Number(svg.dataset.height);
      const isSet = x.value !== "" && y.value !== "";
      if (moves[event.key]) {
        const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
        const [right, down] = moves[event.key];
        // the first press puts it in the middle
        if (!isSet) put(svg, width / 2, height / 2);
        else put(svg, Number(x.value) + right * step, Number(y.value) + down * step);
      } else if (event.key === "Enter" && !isSet) put(svg, width / 2, height / 2);
      else if ((event.key === "Delete" || event.key === "Backspace") && isSet) takeOff();
      else return;
      event.preventDefault();
    });
  });

  // a place on one drawing means nothing on another
  about.addEventListener("change", takeOff);
  x.addEventListener("input", draw);
  y.addEventListener("input", draw);
  off.addEventListener("click", takeOff);
  draw();
})();
