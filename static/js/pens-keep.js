/* Holdfast, the pens: every change is kept. It lies in this browser until the server has it, is sent
 * again while the connection is bad and after a reload, and counts once however often it arrives. */
(function (Pens) {
  "use strict";

  const { root, part } = Pens;
  const prefix = `pens:${root.dataset.key}:`;
  const word = part("kept");
  const MOST = 200;
  const LONGEST_WAIT = 30000;
  let queue = [];
  let flying = [];
  let timer = 0;
  let wait = 0;
  let top = 0;
  let stuck = "";
  let whenEmpty = [];
  let rest = 0;
  let heard = () => {};

  const key = (op) => `${prefix}${op.seq}-${idOf(op)}`;
  const idOf = (op) => op.id || op.stroke.id;

  function stored(change) {
    try {
      change(localStorage);
    } catch {
      // a browser that keeps nothing: what is not sent yet lives in this page only
    }
  }

  function load() {
    stored((store) => {
      queue = Object.keys(store)
        .filter((name) => name.startsWith(prefix))
        .map((name) => JSON.parse(store.getItem(name)))
        .sort((one, other) => one.seq - other.seq);
    });
    queue.forEach((op) => (top = Math.max(top, op.seq)));
  }

  function say() {
    const text = stuck || (!queue.length ? "Everything is kept." : wait ? "Not sent yet: no connection. It is tried again by itself." : "Keeping …");
    if (word && word.textContent !== text) word.textContent = text;
    if (word) word.className = stuck || wait ? "pens-kept-warn" : "";
  }

  // An earlier change of the same stroke that has not left yet is not needed any more.
  function add(op, soon) {
    top = Math.max(top + 1, Date.now());
    op.seq = top;
    const waiting = queue.filter((other) => idOf(other) === idOf(op) && !flying.includes(other));
    queue = queue.filter((other) => !waiting.includes(other)).concat(op);
    stored((store) => store.setItem(key(op), JSON.stringify(op)));
    waiting.forEach((other) => stored((store) => store.removeItem(key(other))));
    say();
    if (!wait) later(soon ? 150 : 0);
  }

  function later(ms) {
    clearTimeout(timer);
    timer = setTimeout(send, ms);
  }

  function done(ops) {
    queue = queue.filter((op) => !ops.includes(op));
    ops.forEach((op) => stored((store) => store.removeItem(key(op))));
  }

  async function ask(address, body) {
    const options = { credentials: "same-origin", signal: AbortSignal.timeout(25000) };
    if (body) {
      options.method = "POST";
      options.body = JSON.stringify(body);
      options.headers = { "Content-Type": "application/json", "X-CSRFToken": root.querySelector("[name=csrfmiddlewaretoken]").value };
    }
    const response = await fetch(address, options);
    const isJson = (response.headers.get("Content-Type") || "").includes("json");
    if (response.ok && isJson) return response.json();
    const error = new Error(isJson ? (await response.json()).error : "This page is out of date. Load it again; nothing is lost.");
    error.isLasting = ![408, 409, 429].includes(response.status) && response.status < 500;
    throw error;
  }

  async function send() {
    if (flying.length || !queue.length || stuck) return;
    flying = queue.slice(0, MOST);
    say();
    try {
      const answer = await ask(root.dataset.strokes, { ops: flying });
      done(flying);
      wait = 0;
      flying = [];
      take(answer);
    } catch (error) {
      flying = [];
      if (error.isLasting) stuck = error.message;
      else wait = Math.min(wait ? wait * 2 : 1000, LONGEST_WAIT);
    }
    say();
    if (queue.length && !stuck) later(wait);
    else if (!queue.length) whenEmpty.splice(0).forEach((call) => call());
  }

  // Only a newer list is taken, and what has not been sent stays on top of it.
  let revision = -1;
  function take(answer) {
    answer.strokes.forEach((one) => (top = Math.max(top, one.seq)));
    if (answer.revision < revision) return;
    revision = answer.revision;
    clearTimeout(rest);
    // Notes of uneven lines take the server a while: they are asked for when the hand rests.
    if (!answer.is_whole) rest = setTimeout(open, 1500);
    heard(answer, applied(answer.strokes));
  }

  function applied(strokes) {
    const list = [...strokes];
    queue.forEach((op) => {
      const at = list.findIndex((one) => one.id === idOf(op));
      if (op.op === "drop") at >= 0 && list.splice(at, 1);
      else if (at >= 0) list[at] = op.stroke;
      else list.push(op.stroke);
    });
    return list;
  }

  async function open() {
    try {
      take(await ask(root.dataset.state));
      wait = 0;
    } catch (error) {
      if (error.isLasting) stuck = error.message;
      else {
        wait = Math.min(wait ? wait * 2 : 1000, LONGEST_WAIT);
        setTimeout(open, wait);
      }
    }
    say();
    if (!wait) send();
  }

  window.addEventListener("online", () => {
    wait = 0;
    if (revision < 0) open();
    else later(0);
  });

  Pens.keep = {
    ask,
    open(listener) {
      heard = listener;
      load();
      if (queue.length) listener(null, applied([]));
      open();
    },
    put: (stroke, options) => add({ op: "put", stroke, snap: !!options.snap }, options.soon),
    drop: (id) => add({ op: "drop", id }),
    revision: () => revision,
    isWaiting: () => wait > 0 || stuck,
    isEmpty: () => !queue.length,
    whenEmpty(call) {
      whenEmpty = [call];
      later(0);
    },
  };
})(window.Pens);
