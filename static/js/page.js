/* Holdfast: what every page does a little better with scripts on.
 * Nothing here is needed: each page works by links and forms alone. */
(function () {
  "use strict";

  // After a form came back with errors, reading goes on where they are told.
  function focusNotice(root) {
    const notice = root.querySelector("[data-focus]");
    if (notice) notice.focus();
  }

  // A finding's number in the list and its mark on the drawing light up together.
  function show(number, on) {
    document.querySelectorAll(`[data-finding="${number}"]`).forEach((part) => {
      part.classList.toggle(part.classList.contains("pin") ? "pin-shown" : "finding-shown", on);
    });
  }

  function pairFindings(event, on) {
    const part = event.target.closest && event.target.closest("[data-finding]");
    if (part) show(part.dataset.finding, on);
  }

  document.addEventListener("pointerover", (event) => pairFindings(event, true));
  document.addEventListener("pointerout", (event) => pairFindings(event, false));
  document.addEventListener("focusin", (event) => pairFindings(event, true));
  document.addEventListener("focusout", (event) => pairFindings(event, false));

  // A press is taken once: a second one while the first is on its way does nothing.
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.method === "get" || form.hasAttribute("hx-post")) return;
    if (form.dataset.sent) {
      event.preventDefault();
      return;
    }
    form.dataset.sent = "1";
  });
  window.addEventListener("pageshow", () => {
    document.querySelectorAll("form[data-sent]").forEach((form) => delete form.dataset.sent);
  });

  document.addEventListener("click", (event) => {
    if (event.target.closest && event.target.closest("[data-print]")) window.print();
  });

  // A place that fills itself in again waits while somebody types in it, and keeps open what was.
  let open = [];
  document.addEventListener("fill:beforeRequest", (event) => {
    const place = event.detail.elt;
    const typing = document.activeElement && document.activeElement.matches("input, textarea");
    if (place.hasAttribute("data-waits-for-typing") && typing && place.contains(document.activeElement)) {
      event.preventDefault();
    }
  });
  document.addEventListener("fill:beforeSwap", () => {
    open = [...document.querySelectorAll("details[id][open]")].map((part) => part.id);
  });
  document.addEventListener("fill:afterSwap", () => {
    open.forEach((id) => {
      const part = document.getElementById(id);
      if (part) part.open = true;
    });
  });

  focusNotice(document);
  document.addEventListener("fill:afterSwap", (event) => focusNotice(event.detail.elt));
})();
