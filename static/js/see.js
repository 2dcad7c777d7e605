/* Holdfast: seeing a stencil before it is cut. Keeps the colours of the paint view, and measures the
 * screen for the real-size view. The paint view's named colours work without this script. */
(function () {
  "use strict";

  function kept(name) {
    try {
      return localStorage.getItem(name);
    } catch {
      return null; // storage is switched off: nothing is kept, all works
    }
  }

  function keep(name, value) {
    try {
      localStorage.setItem(name, value);
    } catch {
      /* the same */
    }
  }

  /* ---- paint and paper ---- */

  function bringBack(root) {
    const view = root.querySelector("[data-see-paint]");
    if (!view) return;
    for (const pot of ["paint", "paper"]) {
      const own = view.querySelector(`[data-see-own="${pot}"]`);
      const colour = kept(`holdfast-own-${pot}`);
      if (/^#[0-9a-f]{6}$/.test(colour || "")) own.value = colour;
      view.style.setProperty(`--own-${pot}`, own.value);
      const chosen = [...view.querySelectorAll(`input[name="${pot}"]`)].find(
        (radio) => radio.value === kept(`holdfast-${pot}`),
      );
      if (chosen) chosen.checked = true;
    }
  }

  function takeOwn(input) {
    const pot = input.dataset.seeOwn;
    const view = input.closest("[data-see-paint]");
    view.style.setProperty(`--own-${pot}`, input.value);
    view.querySelector(`input[name="${pot}"][value="own"]`).checked = true;
    keep(`holdfast-own-${pot}`, input.value);
    keep(`holdfast-${pot}`, "own");
  }

  document.addEventListener("input", (event) => {
    if (event.target.dataset && event.target.dataset.seeOwn) takeOwn(event.target);
  });
  document.addEventListener("change", (event) => {
    const radio = event.target;
    if (radio.type === "radio" && radio.closest("[data-see-paint]")) {
      keep(`holdfast-${radio.name}`, radio.value);
    }
  });

  /* ---- real size ---- */

  const CARD_MM = 85.6; // width of an ID-1 card, ISO/IEC 7810
  const KEY = "holdfast-screen-px-per-mm";

  // Kept in the screen's own pixels, so that a browser's zoom does not undo it.
  function setUpRealSize(view) {
    const card = view.querySelector("[data-card]");
    const range = view.querySelector("[data-card-range]");
    const told = view.querySelector("[data-card-told]");
    const stencil = document.querySelector("[data-stencil]");
    const [least, most] = [Number(range.min), Number(range.max)];

    function show(pxPerMm) {
      card.style.width = `${CARD_MM * pxPerMm}px`;
      stencil.style.width = `${Number(stencil.dataset.widthMm) * pxPerMm}px`;
      stencil.style.height = `${Number(stencil.dataset.heightMm) * pxPerMm}px`;
      range.value = pxPerMm;
      const inch = Math.round(25.4 * pxPerMm);
      range.setAttribute("aria-valuetext", `card ${Math.round(CARD_MM * pxPerMm)} dots wide, ${inch} to the inch`);
    }

    function take(pxPerMm) {
      const taken = Math.min(most, Math.max(least, pxPerMm));
      keep(KEY, String(taken * window.devicePixelRatio));
      told.textContent = told.dataset.measured;
      show(taken);
    }

    function recall() {
      const own = Number(kept(KEY)) / window.devicePixelRatio;
      if (own >= least && own <= most) {
        told.textContent = told.dataset.measured;
        show(own);
      } else {
        show(96 / 25.4); // what CSS takes an inch to be, until the screen is measured
      }
    }

    range.addEventListener("input", () => take(Number(range.value)));
    view.querySelectorAll("[data-card-step]").forEach((button) => {
      button.addEventListener("click", () => {
        take(Number(range.value) * (1 + Number(button.dataset.cardStep)));
      });
    });
    const grip = view.querySelector("[data-card-grip]");
    grip.addEventListener("pointerdown", (event) => {
      grip.setPointerCapture(event.pointerId);
      const from = { x: event.clientX, width: card.getBoundingClientRect().width };
      const move = (moved) => take((from.width + moved.clientX - from.x) / CARD_MM);
      const end = () => {
        grip.removeEventListener("pointermove", move);
        grip.removeEventListener("pointerup", end);
        grip.removeEventListener("pointercancel", end);
      };
      grip.addEventListener("pointermove", move);
      grip.addEventListener("pointerup", end);
      grip.addEventListener("pointercancel", end);
    });
    window.addEventListener("resize", recall);
    recall();
  }

  function setUp(root) {
    bringBack(root);
    root.querySelectorAll("[data-real-size]").forEach(setUpRealSize);
  }

  setUp(document);
  document.addEventListener("fill:afterSwap", (event) => bringBack(event.detail.elt.parentNode || document));
})();
