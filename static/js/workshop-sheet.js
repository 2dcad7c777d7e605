/* Holdfast: pieces of a planned sheet moved by dragging or by keys. The numbers in the form are the
 * truth; the picture follows them, and the server has the last word when they are saved. */
(function () {
  "use strict";

  const picture = document.getElementById("sheet-picture");
  const form = document.getElementById("places");
  if (!picture || !form || !("movable" in picture.dataset)) return;

  const told = document.getElementById("sheet-told");
  const save = form.querySelector("[data-save]");
  const sheet = { width: +picture.dataset.width, height: +picture.dataset.height };
  const edge = +picture.dataset.edge;
  const gap = +picture.dataset.gap;
  const SNAP_MM = 2; // a dragged piece catches the edge and its neighbours from this near
  const SLACK_MM = 0.011;

  const pieces = [...picture.querySelectorAll("[data-piece]")].map((drawn) => {
    const id = drawn.dataset.piece;
    return {
      drawn,
      turn: drawn.querySelector("[data-turn]"),
      number: drawn.dataset.number,
      blank: { width: +drawn.dataset.blankWidth, height: +drawn.dataset.blankHeight },
      x: form.elements[`x-${id}`],
      y: form.elements[`y-${id}`],
      turned: form.elements[`turned-${id}`],
      row: form.querySelector(`[data-row="${id}"]`),
    };
  });

  function number(input) {
    return parseFloat(input.value.replace(",", "."));
  }

  function box(piece) {
    const turned = piece.turned.checked;
    const width = turned ? piece.blank.height : piece.blank.width;
    const height = turned ? piece.blank.width : piece.blank.height;
    const x = number(piece.x);
    const y = number(piece.y);
    return { x, y, width, height, right: x + width, bottom: y + height };
  }

  function shown(value) {
    return String(Math.round(value * 100) / 100);
  }

  function draw(piece) {
    const at = box(piece);
    if (Number.isNaN(at.x) || Number.isNaN(at.y)) return;
    piece.drawn.setAttribute("transform", `translate(${at.x} ${at.y})`);
    if (piece.turned.checked) piece.turn.setAttribute("transform", `translate(${at.width} 0) rotate(90)`);
    else piece.turn.removeAttribute("transform");
  }

  // The same faults as the server tells when the places are saved.
  function faults() {
    const boxes = pieces.map(box);
    const found = [];
    pieces.forEach((piece) => piece.drawn.classList.remove("sheet-piece-wrong"));
    function wrong(sentence, ...which) {
      found.push(sentence);
      which.forEach((at) => pieces[at].drawn.classList.add("sheet-piece-wrong"));
    }
    boxes.forEach((one, at) => {
      const over = Math.max(-one.x, -one.y, one.right - sheet.width, one.bottom - sheet.height);
      if (over > SLACK_MM) wrong(`Piece ${pieces[at].number} hangs over the edge of the sheet.`, at);
      boxes.slice(at + 1).forEach((other, further) => {
        const across = Math.max(one.x, other.x) - Math.min(one.right, other.right);
        const down = Math.max(one.y, other.y) - Math.min(one.bottom, other.bottom);
        const next = at + 1 + further;
        if (-Math.max(across, down) > SLACK_MM) {
          wrong(`Pieces ${pieces[at].number} and ${pieces[next].number} overlap.`, at, next);
        }
      });
    });
    return found;
  }

  function tell() {
    const found = faults();
    told.textContent = found.length ? `${found[0]}${found.length > 1 ? ` And ${found.length - 1} more.` : ""}` : "Moved, not saved yet.";
    told.classList.toggle("sheet-told-wrong", found.length > 0);
    save.classList.add("button-unsaved");
  }

  function put(piece, x, y) {
    piece.x.value = shown(x);
    piece.y.value = shown(y);
    draw(piece);
    tell();
  }

  // Catch the sheet's edge strip and the neighbours at the film's gap.
  function caught(piece, x, y) {
    const own = box(piece);
    const others = pieces.filter((other) => other !== piece).map(box);
    function nearest(value, stops) {
      const best = stops.reduce((a, b) => (Math.abs(b - value) < Math.abs(a - value) ? b : a));
      return Math.abs(best - value) <= SNAP_MM ? best : value;
    }
    return {
      x: nearest(x, [edge, sheet.width - edge - own.width, ...others.flatMap((o) => [o.right + gap, o.x - gap - own.width, o.x])]),
      y: nearest(y, [edge, sheet.height - edge - own.height, ...others.flatMap((o) => [o.bottom + gap, o.y - gap - own.height, o.y])]),
    };
  }

  function inMm(event) {
    const at = new DOMPoint(event.clientX, event.clientY);
    return at.matrixTransform(picture.getScreenCTM().inverse());
  }

  function light(piece, on) {
    piece.row.classList.toggle("row-shown", on);
    piece.drawn.classList.toggle("sheet-piece-held", on);
  }

  pieces.forEach((piece) => {
    piece.drawn.setAttribute("tabindex", "0");
    piece.drawn.setAttribute("role", "button");
    piece.drawn.setAttribute("aria-label", `Piece ${piece.number}: arrow keys move it, r turns it`);
    let from = null;

    piece.drawn.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      const at = inMm(event);
      from = { dx: at.x - number(piece.x), dy: at.y - number(piece.y) };
      piece.drawn.setPointerCapture(event.pointerId);
      piece.drawn.focus();
      event.preventDefault();
    });
    piece.drawn.addEventListener("pointermove", (event) => {
      if (!from) return;
      const at = inMm(event);
      const to = caught(piece, at.x - from.dx, at.y - from.dy);
      put(piece, to.x, to.y);
    });
    ["pointerup", "pointercancel"].forEach((name) => piece.drawn.addEventListener(name, () => (from = null)));

    piece.drawn.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
      const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (way) put(piece, number(piece.x) + way[0] * step, number(piece.y) + way[1] * step);
      else if (event.key === "r" && !event.ctrlKey && !event.metaKey) {
        piece.turned.checked = !piece.turned.checked;
        draw(piece);
        tell();
      } else return;
      event.preventDefault();
      event.stopPropagation();
    });

    [piece.drawn, piece.row].forEach((part) => {
      part.addEventListener("focusin", () => light(piece, true));
      part.addEventListener("focusout", () => light(piece, false));
    });
    [piece.x, piece.y, piece.turned].forEach((input) =>
      input.addEventListener("input", () => {
        draw(piece);
        tell();
      })
    );
  });

  faults();
})();
