/* Holdfast, the pens: drawing by finger, mouse, stylus and keys; choosing, moving, undoing. */
(function (Pens) {
  "use strict";

  const { root, svg, size, part, keep, found, far, clamp } = Pens;
  const isLooking = "looking" in root.dataset;
  const SOON = { soon: true };
  let strokes = [];
  let chosen = null;
  let draft = null;
  let cursor = null;
  let start = null;
  let pen = isLooking ? "hand" : "white";
  let width = +root.dataset.bridge;
  let [past, future] = [[], []];

  const newId = () => [...crypto.getRandomValues(new Uint32Array(3))].map((n) => n.toString(36)).join("-");
  const byId = (id) => strokes.find((one) => one.id === id) || null;
  const isProposal = (one) => found.proposals.includes(one);
  const wantsSnap = (name) => name === "white" && part("snap").checked;
  const tell = (text) => (part("told").textContent = text);
  const same = (a, b) => a[0] === b[0] && a[1] === b[1];
  const moved = (points, dx, dy) => points.map(([x, y]) => [x + dx, y + dy]);

  function draw() {
    const shown = draft && draft.id ? strokes.filter((one) => one.id !== draft.id) : strokes;
    Pens.drawAll({ strokes: shown, proposals: found.proposals, chosen, draft, cursor, start });
  }

  // ---- changes: lists of {id, before, after} that can be taken back ----

  function change(list, options) {
    list.forEach(({ id, after }) => {
      const at = strokes.findIndex((one) => one.id === id);
      strokes.splice(at < 0 ? strokes.length : at, at < 0 ? 0 : 1, ...(after ? [after] : []));
      if (after) keep.put({ id, pen: after.pen, points_mm: after.points_mm, width_mm: after.width_mm, from: after.from }, options);
      else keep.drop(id);
    });
    if (chosen && !isProposal(chosen)) chosen = byId(chosen.id);
    showChosen();
  }

  // Presses of a key in quick succession are one step to take back.
  function commit(list, options = {}) {
    const last = past[past.length - 1];
    if (options.soon && last && last.options.soon && last.list[0].id === list[0].id && Date.now() - last.when < 1000) {
      last.list[0].after = list[0].after;
      last.when = Date.now();
    } else past.push({ list, options, when: Date.now() });
    future = [];
    change(list, options);
  }

  function undo(from, to, isBack) {
    const step = from.pop();
    if (!step) return tell(isBack ? "Nothing to take back." : "Nothing to do again.");
    to.push(step);
    change(step.list.map(({ id, before, after }) => ({ id, after: isBack ? before : after })), isBack ? {} : step.options);
    tell(isBack ? "Taken back." : "Done again.");
  }

  const set = (after, options) => commit([{ id: after.id, before: byId(after.id), after }], options);

  function edit(target, values, options) {
    if (!isProposal(target)) return set({ ...target, ...values, from: "hand" }, options);
    Object.assign(target, values, { isLocked: true });
    found.changed();
  }

  Pens.putIn = (some) => {
    if (some.includes(chosen)) chosen = null;
    commit(
      some.map(({ points_mm, width_mm, isLocked }) => {
        const id = newId();
        return { id, before: null, after: { id, pen: "white", points_mm, width_mm, from: isLocked ? "hand" : "proposal" } };
      })
    );
  };

  // ---- choosing ----

  function showChosen() {
    const box = part("chosen");
    if (chosen && !isProposal(chosen)) chosen = byId(chosen.id);
    if (box) {
      const isProposed = isProposal(chosen);
      const hide = (name, isHidden) => (box.querySelector(`[data-do="${name}"]`).hidden = isHidden);
      box.hidden = !chosen;
      if (chosen) {
        part("chosen-name").textContent = isProposed ? `Bridge ${found.proposals.indexOf(chosen) + 1}, proposed` : `Stroke ${strokes.indexOf(chosen) + 1} of ${strokes.length}, ${chosen.pen} pen`;
        hide("square", isProposed || chosen.pen !== "white");
        hide("accept", !isProposed);
        hide("other", !isProposed || !chosen.others.length);
        setWidth(chosen.width_mm);
      }
    }
    draw();
  }

  Pens.choose = (target) => {
    chosen = target;
    showChosen();
    if (chosen && part("chosen")) tell(`${part("chosen-name").textContent}, ${chosen.width_mm.toFixed(2)} mm wide.`);
  };

  function away(p, points) {
    const parts = points.map((a, index) => {
      const b = points[Math.min(index + 1, points.length - 1)];
      const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
      const share = clamp(((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / (dx * dx + dy * dy || 1), 0, 1);
      return far(p, [a[0] + share * dx, a[1] + share * dy]);
    });
    return Math.min(...parts);
  }

  const under = (p, slack) => [...strokes, ...found.proposals].reverse().find((one) => away(p, one.points_mm) <= one.width_mm / 2 + slack) || null;

  // ---- width: millimetres and fractions of an inch, to 1/32 ----

  function inch(mm) {
    let [top, bottom] = [Math.round((mm / 25.4) * 32), 32];
    while (top && top % 2 === 0 && bottom > 1) [top, bottom] = [top / 2, bottom / 2];
    return top ? `about ${top}${bottom > 1 ? `/${bottom}` : ""} in` : "under 1/32 in";
  }

  function setWidth(mm) {
    width = clamp(Math.round(mm * 100) / 100, +root.dataset.least, +root.dataset.most);
    if (!part("width")) return;
    part("width").value = `${width} mm`;
    part("slide").value = width;
    part("inch").textContent = inch(width);
  }

  function readWidth(text) {
    const [, top, bottom] = /^\s*(\d+)\s*\/\s*(\d+)/.exec(text) || [];
    const mm = top ? (top / bottom) * 25.4 : parseFloat(text.replace(",", ".")) * (/in|"/.test(text) ? 25.4 : 1);
    return mm > 0 ? mm : width;
  }

  function widthIs(mm, options) {
    setWidth(mm);
    if (chosen && chosen.width_mm !== width) edit(chosen, { width_mm: width }, options);
  }

  // ---- what is done to the chosen one ----

  function turn(degrees) {
    if (!chosen) return;
    const points = chosen.points_mm;
    const [mx, my] = [0, 1].map((axis) => (Math.min(...points.map((p) => p[axis])) + Math.max(...points.map((p) => p[axis]))) / 2);
    const [cos, sin] = [Math.cos((degrees * Math.PI) / 180), Math.sin((degrees * Math.PI) / 180)];
    edit(chosen, { points_mm: points.map(([x, y]) => [mx + (x - mx) * cos - (y - my) * sin, my + (x - mx) * sin + (y - my) * cos]) }, SOON);
  }

  function remove() {
    if (!chosen) return;
    if (isProposal(chosen)) found.remove([chosen]);
    else commit([{ id: chosen.id, before: chosen, after: null }]);
    Pens.choose(null);
    tell("Taken away.");
    svg.focus({ preventScroll: true });
  }

  function put(points) {
    const snap = wantsSnap(pen);
    const after = { id: newId(), pen, points_mm: snap ? Pens.ends({ points_mm: points }) : points, width_mm: width, from: "hand" };
    set(after, { snap });
    Pens.choose(byId(after.id));
  }

  // ---- pointers: one draws or drags, two pinch ----

  const fingers = new Map();
  let drag = null;
  let pinch = null;

  function begin(event) {
    if (event.button > 0) return;
    event.preventDefault();
    svg.focus({ preventScroll: true });
    svg.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, event);
    cursor = start = null;
    if (fingers.size > 1) {
      cancel();
      pinch = between();
      return;
    }
    const at = Pens.at(event);
    const slack = (event.pointerType === "mouse" ? 6 : 14) * Pens.pixel();
    if (pen !== "hand") {
      drag = { kind: "draw", points: [at], last: at };
      return;
    }
    const end = chosen ? Pens.ends(chosen).findIndex((p) => far(p, at) < 2 * slack) : -1;
    const target = end < 0 ? under(at, slack) : chosen;
    drag = { kind: !target || isLooking ? "pan" : end < 0 ? "move" : "end", end, target, at, screen: event };
    if (target !== chosen) Pens.choose(target);
  }

  function go(event) {
    if (!fingers.has(event.pointerId)) return;
    fingers.set(event.pointerId, event);
    if (pinch) return pinchOn();
    if (!drag) return;
    const at = Pens.at(event);
    const { kind, target } = drag;
    if (kind === "pan") {
      const k = Pens.pixel();
      Pens.pan((drag.screen.clientX - event.clientX) * k, (drag.screen.clientY - event.clientY) * k);
      drag.screen = event;
    } else if (kind === "draw") drawOn(event, at);
    else {
      const was = target.points_mm;
      drag.points = kind === "move" ? moved(was, at[0] - drag.at[0], at[1] - drag.at[1]) : was.map((p, index) => (index === (drag.end && was.length - 1) ? at : p));
      draft = { ...target, points_mm: drag.points };
      draw();
    }
  }

  function drawOn(event, at) {
    const between = event.getCoalescedEvents ? event.getCoalescedEvents().map(Pens.at) : [];
    [...between, at].forEach((p) => far(p, drag.points[drag.points.length - 1]) > 0.3 && drag.points.push(p));
    // A long stroke keeps every second point, so that it never grows past what is taken.
    if (drag.points.length > 400) drag.points = drag.points.filter((_, index) => index % 2 === 0);
    drag.last = at;
    draft = { pen, width_mm: width, points_mm: wantsSnap(pen) ? [drag.points[0], at] : [...drag.points, at] };
    draw();
  }

  function end(event) {
    if (!fingers.delete(event.pointerId)) return;
    const done = pinch ? null : drag;
    if (!fingers.size) pinch = null;
    cancel();
    if (!done) return;
    if (done.kind === "draw") {
      const points = done.points.filter((p) => !same(p, done.last)).concat([done.last]);
      const length = points.reduce((sum, p, index) => sum + (index && far(p, points[index - 1])), 0);
      if (length >= 0.5) put(points);
      else Pens.choose(under(done.last, 10 * Pens.pixel()));
    } else if (done.points) edit(done.target, { points_mm: done.points }, { snap: done.kind === "move" && wantsSnap(done.target.pen) });
  }

  function cancel() {
    drag = draft = null;
    draw();
  }

  function between() {
    const [a, b] = [...fingers.values()].map((one) => [one.clientX, one.clientY]);
    return { at: Pens.at({ clientX: (a[0] + b[0]) / 2, clientY: (a[1] + b[1]) / 2 }), apart: far(a, b), w: Pens.view.w };
  }

  // What lay between the fingers at first stays between them.
  function pinchOn() {
    if (fingers.size !== 2) return;
    const now = between();
    const { view } = Pens;
    const w = clamp((pinch.w * pinch.apart) / (now.apart || 1), size[0] / Pens.MOST_ZOOM, size[0]);
    const share = [(now.at[0] - view.x) / view.w, (now.at[1] - view.y) / view.w];
    Pens.show(pinch.at[0] - share[0] * w, pinch.at[1] - share[1] * w, w);
  }

  svg.addEventListener("pointerdown", begin);
  svg.addEventListener("pointermove", go);
  svg.addEventListener("pointerup", end);
  svg.addEventListener("pointercancel", (event) => {
    fingers.delete(event.pointerId);
    pinch = null;
    cancel();
  });
  const wheel = (event) => {
    event.preventDefault();
    Pens.zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0015)), Pens.at(event));
  };
  svg.addEventListener("wheel", wheel, { passive: false });

  // ---- what buttons and keys do ----

  const acts = {
    larger: () => Pens.zoom(1.5),
    smaller: () => Pens.zoom(1 / 1.5),
    whole: Pens.whole,
    undo: () => undo(past, future, true),
    redo: () => undo(future, past, false),
    turn: () => turn(5),
    "turn-back": () => turn(-5),
    delete: remove,
    square: () => chosen && !isProposal(chosen) && chosen.pen === "white" && set({ ...chosen, from: "hand" }, { snap: true }),
    propose: found.propose,
    accept: () => found.accept([chosen]),
    other: () => found.otherPlace(chosen),
    "accept-all": () => found.accept([...found.proposals]),
    forget() {
      found.remove(found.proposals);
      part("proposed").textContent = "";
      showChosen();
    },
  };

  root.addEventListener("click", (event) => {
    const button = event.target.closest("[data-do]");
    if (button) acts[button.dataset.do]();
  });

  function setPen(name) {
    pen = name;
    start = draft = null;
    svg.dataset.pen = name;
    draw();
    if (isLooking) return;
    const input = root.querySelector(`[name="pen"][value="${name}"]`);
    input.checked = true;
    part("hint").textContent = input.dataset.hint;
  }

  function next(step) {
    const all = [...strokes, ...found.proposals];
    if (!all.length) return tell("There is no stroke yet.");
    const at = all.indexOf(chosen);
    Pens.choose(all[at < 0 ? 0 : (at + step + all.length) % all.length]);
    Pens.keepInView(chosen.points_mm[0]);
  }

  function arrow(event, [dx, dy]) {
    const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
    if (event.ctrlKey || event.metaKey) return Pens.pan((dx * Pens.view.w) / 8, (dy * Pens.view.w) / 8);
    if (chosen && !start && !isLooking) {
      edit(chosen, { points_mm: moved(chosen.points_mm, dx * step, dy * step) }, SOON);
      return Pens.keepInView(chosen.points_mm[0]);
    }
    const [x, y] = cursor || Pens.middle().map(Math.round);
    cursor = cursor ? [x + dx * step, y + dy * step].map((value, axis) => clamp(Math.round(value * 10) / 10, 0, size[axis])) : [x, y];
    if (start) draft = { pen, width_mm: width, points_mm: [start, cursor] };
    Pens.keepInView(cursor);
    tell(`${cursor.map((value) => value.toFixed(1)).join(", ")} mm`);
    draw();
  }

  function enter() {
    if (!cursor) return arrow({}, [0, 0]);
    if (pen === "hand") return Pens.choose(under(cursor, 1));
    if (!start) {
      Pens.choose(null);
      start = cursor;
      tell("The stroke begins here. Move on and press Enter for its end.");
      return draw();
    }
    const points = [start, cursor];
    start = draft = null;
    if (same(...points)) return tell("Start and end are one place. Begin again.");
    put(points);
    Pens.choose(null); // the arrow keys go on moving the cursor
    tell("The stroke is drawn.");
  }

  function letGo() {
    start = draft = null;
    Pens.choose(null);
    tell("Let go.");
  }

  const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const LOOKS = { Enter: enter, Escape: letGo, n: () => next(1), p: () => next(-1), "+": acts.larger, "=": acts.larger, "-": acts.smaller, 0: acts.whole };
  const KEYS = {
    Delete: remove,
    Backspace: remove,
    w: () => setPen("white"),
    b: () => setPen("black"),
    m: () => setPen("hand"),
    s: acts.square,
    "[": (event) => turn(event.altKey ? -1 : -5),
    "]": (event) => turn(event.altKey ? 1 : 5),
    ",": () => widthIs(width - 0.1, SOON),
    ".": () => widthIs(width + 0.1, SOON),
  };

  svg.addEventListener("keydown", (event) => {
    const name = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const act = LOOKS[name] || (!isLooking && KEYS[name]);
    if (ARROWS[name]) arrow(event, ARROWS[name]);
    else if (act && !event.ctrlKey && !event.metaKey) act(event);
    else return;
    event.preventDefault();
  });

  document.addEventListener("keydown", (event) => {
    const name = event.key.toLowerCase();
    if (isLooking || !(event.ctrlKey || event.metaKey) || !["z", "y"].includes(name) || event.target.matches("[type=text]")) return;
    acts[name === "y" || event.shiftKey ? "redo" : "undo"]();
    event.preventDefault();
  });

  svg.addEventListener("blur", () => {
    if (!start) cursor = null;
    draw();
  });

  root.addEventListener("input", ({ target }) => target === part("slide") && widthIs(+target.value, SOON));
  root.addEventListener("change", ({ target }) => {
    if (target.name === "pen") setPen(target.value);
    else if (target === part("show-grid")) part("grid").setAttribute("visibility", target.checked ? "visible" : "hidden");
    else if (target === part("width")) widthIs(readWidth(target.value));
  });
  root.addEventListener("pens-view", draw);

  // A form goes when everything drawn is with the server; page.js lets it go only once.
  root.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.elements.revision) form.elements.revision.value = keep.revision();
    if (keep.isEmpty()) return;
    event.preventDefault();
    event.stopPropagation();
    if (keep.isWaiting()) tell("Not saved yet: some strokes are not sent. Wait for the connection.");
    keep.whenEmpty(() => form.requestSubmit());
  });

  keep.open((answer, list) => {
    strokes = list;
    if (drag && drag.target && !isProposal(drag.target)) drag.target = byId(drag.target.id) || drag.target;
    showChosen();
    if (!answer) return;
    found.show(answer);
    if (part("discard")) part("discard").hidden = !answer.unkept;
    if (answer.refused.length) tell(answer.refused[0].why);
    else if (answer.unsnapped.length) tell("No line there to lie across, so it stays as you drew it.");
  });

  Pens.draw = showChosen;
  setWidth(width);
  setPen(pen);
})(window.Pens);
