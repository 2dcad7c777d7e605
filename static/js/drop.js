/* Holdfast: a form that takes drawings. Choosing, dropping or pasting pictures sends each at once by
 * itself, with its own progress and its own outcome; what did not arrive is sent again by one press.
 * Without this script the form's own file control and button do the same, all in one go. */
(function () {
  "use strict";

  const AT_ONCE = 2; // sendings beside each other: one may stand still while the other goes on
  const STILL_MS = 30000; // no byte went out for so long: it is told, and can be sent again
  const queue = [];
  let running = 0;
  let isKnown = false; // the first answer brings the session's cookie; until then one goes at a time

  const dropForm = () => document.querySelector("[data-drop]");

  function made(name, className, words) {
    const part = document.createElement(name);
    if (className) part.className = className;
    if (words) part.textContent = words;
    return part;
  }

  function sign(name) {
    const SVG = "http://www.w3.org/2000/svg";
    const drawn = document.createElementNS(SVG, "svg");
    drawn.setAttribute("class", "icon");
    drawn.setAttribute("aria-hidden", "true");
    const use = drawn.appendChild(document.createElementNS(SVG, "use"));
    use.setAttribute("href", `${document.querySelector("[data-drop-list]").dataset.signs}#${name}`);
    return drawn;
  }

  function size(bytes) {
    return bytes < 950000 ? `${Math.max(1, Math.round(bytes / 1000))} kB` : `${(bytes / 1e6).toFixed(1)} MB`;
  }

  function newName() {
    const parts = crypto.getRandomValues(new Uint32Array(4));
    return [...parts].map((part) => part.toString(16).padStart(8, "0")).join("-");
  }

  // ---- one row a drawing

  function addRow(form, file) {
    const list = form.querySelector("[data-drop-list]");
    const row = made("li", "sending");
    const sending = { form, file, row, name: newName(), state: "waits" };
    row.append(made("b", "", file.name || "picture"), " ");
    sending.words = row.appendChild(made("span", "sending-words"));
    sending.bar = row.appendChild(made("progress"));
    sending.bar.max = 1;
    sending.bar.value = 0;
    sending.bar.setAttribute("aria-label", `Sending ${file.name}`);
    list.append(row);
    list.hidden = false;
    const folded = form.closest("details"); // what was dropped on the page is shown being sent
    if (folded) folded.open = true;
    tell(sending, "Waits for its turn");
    queue.push(sending);
  }

  function tell(sending, words, mark) {
    sending.words.replaceChildren(...(mark ? [sign(mark), " "] : []), words);
    sending.row.dataset.state = sending.state;
  }

  function say(words) {
    const said = document.getElementById("said");
    if (said) said.textContent = words;
  }

  function next() {
    while (running < (isKnown ? AT_ONCE : 1) && queue.length) send(queue.shift());
  }

  // ---- sending

  function send(sending) {
    const { form, file } = sending;
    running += 1;
    sending.state = "sending";
    sending.bar.hidden = false;
    sending.bar.value = 0;
    tell(sending, `0 of ${size(file.size)}`);
    const data = new FormData(form);
    data.delete("drawing");
    data.set("sending", sending.name);
    data.append("drawing", file, file.name || "picture.png");
    const request = new XMLHttpRequest();
    let alive = 0;
    const watch = () => {
      clearTimeout(alive);
      alive = setTimeout(() => request.abort(), STILL_MS);
    };
    request.open("POST", form.action);
    request.setRequestHeader("Accept", "application/json");
    request.responseType = "json";
    request.upload.addEventListener("progress", (event) => {
      watch();
      if (!event.lengthComputable) return;
      sending.bar.value = event.loaded / event.total;
      const all = event.loaded >= event.total;
      if (all) sending.bar.removeAttribute("value");
      tell(sending, all ? "Arriving …" : `${size(file.size * sending.bar.value)} of ${size(file.size)}`);
    });
    request.addEventListener("loadend", () => {
      clearTimeout(alive);
      running -= 1;
      settle(sending, request);
      next();
      ended(form);
    });
    watch();
    request.send(data);
  }

  function settle(sending, request) {
    const answer = request.response || {};
    const name = sending.file.name;
    sending.bar.hidden = true;
    if (request.status === 200 && answer.address) {
      sending.state = "arrived";
      sending.answer = answer;
      isKnown = true;
      tell(sending, "Arrived. It is being looked at.", "tick");
      const link = made("a", "", `See “${answer.title}”`);
      link.href = answer.address;
      sending.words.append(" ", link);
    } else if (answer.error && request.status < 500) {
      sending.state = "refused";
      tell(sending, answer.error, "cross");
      say(`${name} was not taken. ${answer.error}`);
    } else if (request.status === 413) {
      sending.state = "refused";
      tell(sending, "That file is larger than what is taken. Save the picture smaller, as JPEG, and choose it again.", "cross");
    } else if (request.status === 403) {
      sending.state = "refused";
      tell(sending, "This page was open for too long. Load it again, then choose the picture again.", "cross");
    } else {
      failed(sending, request.status, answer.error);
    }
  }

  function failed(sending, status, told) {
    sending.state = "failed";
    const why = told || (status ? "The workshop’s computer did not answer as it should." : "The network broke off.");
    tell(sending, `Not sent: ${why.charAt(0).toLowerCase()}${why.slice(1)} Your picture is still here.`, "warning");
    say(`${sending.file.name} was not sent. ${why}`);
    const again = made("button", "button", "Send again");
    again.type = "button";
    again.setAttribute("aria-label", `Send ${sending.file.name} again`);
    again.addEventListener("click", () => {
      sending.state = "waits";
      tell(sending, "Waits for its turn");
      queue.push(sending);
      next();
    });
    sending.words.append(" ", again);
  }

  // ---- when all have come to an end

  const sendings = new Map();

  function ended(form) {
    const all = sendings.get(form);
    if (all.some((one) => one.state === "waits" || one.state === "sending")) return;
    const arrived = all.filter((one) => one.state === "arrived");
    const link = form.querySelector("[data-drop-all]");
    const address = arrived.length === 1 ? arrived[0].answer.address : together(link, arrived);
    if (arrived.length === all.length) {
      window.location.assign(address);
    } else if (link && arrived.length > 1) {
      link.href = address;
      link.hidden = false;
      link.textContent = `See the ${arrived.length} that arrived, side by side`;
    }
  }

  function together(link, arrived) {
    if (!link || !arrived.length) return "";
    return `${link.dataset.dropAll}?d=${arrived.map((one) => one.answer.token).join(".")}`;
  }

  function take(form, files) {
    const input = form.querySelector('input[type="file"]');
    const room = input.multiple ? +(input.dataset.atOnce || 20) : 1;
    const chosen = [...files].slice(0, room);
    if (!chosen.length) return;
    if (!sendings.has(form) || !input.multiple) {
      sendings.set(form, []);
      form.querySelector("[data-drop-list]").replaceChildren();
    }
    const before = queue.length;
    chosen.forEach((file) => addRow(form, file));
    sendings.get(form).push(...queue.slice(before));
    if (files.length > room && input.multiple) {
      form.querySelector("[data-drop-list]").append(
        made("li", "sending", `The first ${room} are sent now. Choose the other ${files.length - room} afterwards.`)
      );
    }
    say(chosen.length === 1 ? `Sending ${chosen[0].name}` : `Sending ${chosen.length} drawings`);
    next();
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-pick]");
    if (!button) return;
    const input = document.getElementById(button.dataset.pick);
    input.disabled = false;
    input.click();
  });

  document.addEventListener("change", (event) => {
    const form = event.target.closest("[data-drop]");
    if (!form || event.target.type !== "file") return;
    take(form, event.target.files);
    event.target.value = "";
  });

  // The whole page takes a drop; the form's outline shows it.
  const carriesFiles = (event) => event.dataTransfer && [...event.dataTransfer.types].includes("Files");

  document.addEventListener("dragover", (event) => {
    if (!carriesFiles(event) || !dropForm()) return;
    event.preventDefault();
    dropForm().classList.add("drop-over");
  });
  document.addEventListener("dragleave", (event) => {
    if (!event.relatedTarget && dropForm()) dropForm().classList.remove("drop-over");
  });
  document.addEventListener("drop", (event) => {
    if (!carriesFiles(event) || !dropForm()) return;
    event.preventDefault();
    dropForm().classList.remove("drop-over");
    take(dropForm(), event.dataTransfer.files);
  });
  document.addEventListener("paste", (event) => {
    if (dropForm() && event.clipboardData.files.length) take(dropForm(), event.clipboardData.files);
  });

  // Leaving while a drawing is on its way would lose it: the browser asks.
  window.addEventListener("beforeunload", (event) => {
    if (running || queue.length) event.preventDefault();
  });

  // Coming back by the browser's own button finds the form ready again.
  window.addEventListener("pageshow", (event) => {
    if (event.persisted) {
      sendings.clear();
      document.querySelectorAll("[data-drop-list]").forEach((list) => {
        list.replaceChildren();
        list.hidden = true;
      });
    }
    document.querySelectorAll('[data-drop] input[type="file"]').forEach((input) => {
      input.value = "";
    });
  });
})();
