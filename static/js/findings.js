/* Holdfast: a finding close up, and mends that show as they are ticked.
 * Without scripts the same is reached by the links (?zoom=) and the form. */
(function () {
  "use strict";

  const plate = () => document.getElementById("plate");

  function layers(figure) {
    return figure.querySelectorAll(":scope > img, :scope > svg.plate-marks");
  }

  function whole() {
    const figure = plate();
    if (!figure || !figure.dataset.at) return false;
    layers(figure).forEach((layer) => layer.style.removeProperty("transform"));
    figure.classList.remove("plate-zoomed");
    figure.querySelectorAll(".pin-chosen").forEach((pin) => pin.classList.remove("pin-chosen"));
    const foot = document.querySelector(".plate-foot");
    const hadFocus = foot.contains(document.activeElement);
    foot.hidden = true;
    const number = figure.dataset.at;
    delete figure.dataset.at;
    const look = document.getElementById(`look-${number}`);
    if (hadFocus && look) look.focus({ preventScroll: true });
    return true;
  }

  function zoom(number, byKey) {
    const figure = plate();
    const pin = figure && figure.querySelector(`.pin[data-finding="${number}"][data-zoom]`);
    if (!pin || !figure.querySelector("img")) return false;
    const [width, height] = figure.dataset.blank.split(" ").map(Number);
    const [x, y, across] = pin.dataset.zoom.split(" ").map(Number);
    const move = `scale(${width / across}) translate(${(-100 * x) / width}%, ${(-100 * y) / height}%)`;
    layers(figure).forEach((layer) => (layer.style.transform = move));
    figure.style.setProperty("--zoom", width / across);
    figure.classList.add("plate-zoomed");
    figure.querySelectorAll(".pin-chosen").forEach((other) => other.classList.remove("pin-chosen"));
    pin.classList.add("pin-chosen");
    figure.dataset.at = number;
    const words = `${pin.getAttribute("aria-label")}, close up.`;
    const foot = document.querySelector(".plate-foot");
    foot.querySelector("[data-plate-words]").textContent = words;
    foot.querySelector("[data-plate-list]").href = `#finding-${number}`;
    foot.hidden = false;
    document.getElementById("said").textContent = words;
    const box = figure.getBoundingClientRect();
    if (box.top < 0 || box.bottom > window.innerHeight) figure.scrollIntoView({ block: "start" });
    if (byKey) foot.querySelector("[data-whole]").focus({ preventScroll: true });
    return true;
  }

  document.addEventListener("click", (event) => {
    const target = event.target.closest && event.target.closest("[data-look], .pin[data-zoom], [data-whole]");
    if (!target || event.ctrlKey || event.metaKey || event.shiftKey) return;
    if (target.matches("[data-whole]")) {
      whole();
    } else if (zoom(target.dataset.look || target.dataset.finding, event.detail === 0)) {
      event.preventDefault();
    }
  });

  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && whole()) event.preventDefault();
  });

  // A mend is drawn on the picture while it is ticked.
  function show(tick) {
    document.querySelectorAll(`[data-mend="${tick.value}"]`).forEach((part) => {
      part.toggleAttribute("data-untaken", !tick.checked);
    });
  }
  const ticks = () => document.querySelectorAll('.mend-ticks input[type="checkbox"]');
  document.addEventListener("change", (event) => {
    if (event.target.closest(".mend-ticks")) show(event.target);
  });
  ticks().forEach(show);
  window.addEventListener("pageshow", () => ticks().forEach(show));
})();
