/* Holdfast: the workshop's pages with scripts on. Keys and ticks.
 * Nothing here is needed: each page works by links and forms alone. */
(function () {
  "use strict";

  document.querySelectorAll("[data-with-scripts]").forEach((part) => part.removeAttribute("hidden"));

  // Single keys: an element with data-key is pressed or focused. They can be turned off, because
  // speech input types letters; the choice stays on this device.
  const keyed = [...document.querySelectorAll("[data-key]")];
  const bar = document.querySelector("[data-keys]");
  const KEYS_OFF = "holdfast-keys-off";

  function stored() {
    try {
      return localStorage.getItem(KEYS_OFF);
    } catch (error) {
      return null;
    }
  }

  let keysOn = !stored();
  if (bar && (keyed.length || document.querySelector(".jobrow"))) {
    bar.removeAttribute("hidden");
    const tick = bar.querySelector("[data-keys-on]");
    const walked = document.querySelector(".jobrow") ? ["j", "k"] : [];
    const names = [...new Set([...keyed.map((part) => part.dataset.key), ...walked])];
    bar.querySelector("[data-keys-list]").textContent = names.join(" ");
    tick.checked = keysOn;
    tick.addEventListener("change", () => {
      keysOn = tick.checked;
      document.documentElement.classList.toggle("keys-off", !keysOn);
      try {
        if (keysOn) localStorage.removeItem(KEYS_OFF);
        else localStorage.setItem(KEYS_OFF, "1");
      } catch (error) {
        // a browser that keeps nothing: the choice holds for this page
      }
    });
  }
  document.documentElement.classList.toggle("keys-off", !keysOn);

  function isTyping(target) {
    return target.closest("input:not([type=checkbox]), textarea, select, [data-piece], #propose-picture");
  }

  // j and k walk down and up a list of jobs, from tick box to tick box or link to link.
  function walk(step) {
    const stops = [...document.querySelectorAll(".jobrow")].map(
      (row) => row.querySelector("input") || row.querySelector("a")
    );
    if (!stops.length) return;
    const row = document.activeElement.closest && document.activeElement.closest(".jobrow");
    const at = row ? [...document.querySelectorAll(".jobrow")].indexOf(row) + step : 0;
    stops[Math.min(Math.max(at, 0), stops.length - 1)].focus();
  }

  document.addEventListener("keydown", (event) => {
    if (!keysOn || event.ctrlKey || event.altKey || event.metaKey || isTyping(event.target)) return;
    if (event.key === "j" || event.key === "k") {
      walk(event.key === "j" ? 1 : -1);
      event.preventDefault();
      return;
    }
    if (event.key === "Enter" && event.target.matches(".jobtick input")) {
      event.target.closest(".jobrow").querySelector("a").click();
      event.preventDefault();
      return;
    }
    const part = keyed.find((one) => one.dataset.key === event.key && one.offsetParent !== null);
    if (!part) return;
    event.preventDefault();
    if (part.matches("input")) part.focus();
    else part.click();
  });

  // A checklist keeps itself at each tick; without scripts its button does.
  document.querySelectorAll("[data-checks]").forEach((form) => {
    const said = form.querySelector("[data-checks-said]");
    form.querySelector("[data-checks-button]").hidden = true;
    form.addEventListener("change", async () => {
      said.textContent = "Keeping it …";
      try {
        const answer = await fetch(form.action, {
          method: "POST",
          body: new FormData(form),
          headers: { "X-Requested-With": "fetch" },
        });
        said.textContent = answer.status === 204 ? "Kept." : "Not kept: load the page again.";
      } catch (error) {
        said.textContent = "Not kept: no connection. Tick it again.";
      }
    });
  });

  // Ticks are counted, and one tick takes all.
  document.querySelectorAll("[data-ticks]").forEach((form) => {
    const boxes = [...form.querySelectorAll("input[name=job]")];
    const count = form.querySelector("[data-tick-count]");
    const all = form.querySelector("[data-tick-all]");
    const shown = count.textContent;
    all.removeAttribute("hidden");
    function tell() {
      const ticked = boxes.filter((box) => box.checked).length;
      count.textContent = ticked ? `${ticked} of ${boxes.length} ticked` : shown;
      all.querySelector("input").checked = ticked === boxes.length;
    }
    all.querySelector("input").addEventListener("change", (event) => {
      boxes.forEach((box) => (box.checked = event.target.checked));
      tell();
    });
    form.addEventListener("change", tell);
    window.addEventListener("pageshow", tell);
  });
})();
