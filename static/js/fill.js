/* Holdfast: places that fill themselves in anew from the server (docs/look.md, "Self-filling places").
 * Attributes of htmx 2, and of them only those named there; links and forms work without this. */
(function () {
  "use strict";

  const ASKING = "[hx-get], [hx-post]";
  const stop = new WeakSet(); // places that have been told there is nothing more to come
  const busy = new WeakMap(); // place -> whether it was asked again meanwhile
  const pace = new WeakMap(); // place that asks by the clock -> how many times its time it waits by now
  const [SLOWER, SLOWEST] = [1.1, 4];

  function tell(part, name, detail) {
    return part.dispatchEvent(new CustomEvent(`fill:${name}`, { bubbles: true, cancelable: true, detail: { elt: part, ...detail } }));
  }

  // ---- what is sent

  function values(part, isPost, submitter) {
    const form = part.closest("form");
    const pressed = submitter || part.closest("button");
    const all = form && isPost ? [...new FormData(form)] : [];
    if (pressed && pressed.name) all.push([pressed.name, pressed.value]);
    const only = part.getAttribute("hx-params");
    return new URLSearchParams(only ? all.filter(([name]) => only.split(",").includes(name)) : all);
  }

  async function ask(part, submitter) {
    if (busy.has(part)) return busy.set(part, true);
    if (!tell(part, "beforeRequest")) return;
    const isPost = part.hasAttribute("hx-post");
    const parameters = values(part, isPost, submitter);
    tell(part, "configRequest", { parameters });
    const address = new URL(part.getAttribute(isPost ? "hx-post" : "hx-get"), location.href);
    const options = { headers: { "HX-Request": "true" } };
    if (isPost) Object.assign(options, { method: "POST", body: parameters });
    else parameters.forEach((value, name) => address.searchParams.append(name, value));
    busy.set(part, false);
    let isNew = false;
    try {
      const answer = await fetch(address, options);
      const to = answer.headers.get("HX-Redirect");
      if (to) return location.assign(to);
      if (answer.status === 286) stop.add(part);
      isNew = answer.ok && answer.status !== 204;
      const isOutdated = isPost && busy.get(part); // something else was chosen meanwhile: it is sent next
      if (answer.ok && answer.status !== 204 && !isOutdated) put(part, await answer.text(), address);
    } catch {
      // no connection: what is shown stays, and what asks by the clock asks again
    } finally {
      pace.set(part, isNew ? 1 : Math.min(SLOWEST, (pace.get(part) || 1) * SLOWER));
      const again = busy.get(part);
      busy.delete(part);
      if (again && part.isConnected) ask(part);
    }
  }

  // ---- what comes back

  function put(part, text, address) {
    const place = part.hasAttribute("hx-target") ? document.querySelector(part.getAttribute("hx-target")) : part;
    if (!place || !place.isConnected) return;
    const holder = document.createElement("template");
    holder.innerHTML = text;
    const came = holder.content;
    came.querySelectorAll("[hx-swap-oob]").forEach((aside) => {
      const there = document.getElementById(aside.id);
      const isInner = aside.getAttribute("hx-swap-oob") === "innerHTML";
      aside.remove();
      aside.removeAttribute("hx-swap-oob");
      if (there && isInner) there.replaceChildren(...aside.childNodes);
      else if (there) swap(there, [aside]);
    });
    const select = part.getAttribute("hx-select");
    const made = select ? [came.querySelector(select)].filter(Boolean) : [...came.children];
    if (!made.length && select) return;
    tell(place, "beforeSwap");
    swap(place, made);
    if (part.getAttribute("hx-push-url") === "true" && address.href !== location.href) {
      history.replaceState({ isFilled: true }, "");
      history.pushState({ isFilled: true }, "", address);
    }
    made.forEach((one) => {
      watch(one);
      tell(one, "afterSwap");
    });
  }

  // What had the focus has it again, if it is still there under its name.
  function swap(place, made) {
    const held = place.contains(document.activeElement) ? document.activeElement.id : "";
    place.replaceWith(...made);
    const again = held && document.getElementById(held);
    if (again) again.focus({ preventScroll: true });
  }

  // ---- when

  function everyMs(part) {
    const [, number, unit] = /every (\d+)(ms|s)/.exec(part.getAttribute("hx-trigger") || "") || [];
    return number ? number * (unit === "s" ? 1000 : 1) : 0;
  }

  function clocked(root) {
    return [root, ...root.querySelectorAll("[hx-get]")].filter((part) => part.matches("[hx-get]") && everyMs(part) && !stop.has(part));
  }

  // The next time is set once an answer is there, so a server that is slow is asked less; and what brings
  // nothing new is asked less and less often. A page that nobody sees asks nothing, and all at once when it is seen again.
  function tick(part) {
    setTimeout(async () => {
      if (!document.hidden) await ask(part);
      if (part.isConnected && !stop.has(part)) tick(part);
    }, everyMs(part) * (pace.get(part) || 1));
  }

  function watch(root) {
    clocked(root).forEach(tick);
  }

  document.addEventListener("visibilitychange", () => document.hidden || clocked(document.body).forEach((part) => {
    pace.delete(part);
    ask(part);
  }));

  function heard(event) {
    const part = event.target.closest && event.target.closest(ASKING);
    if (!part || everyMs(part) || event.defaultPrevented) return;
    const usual = part.matches("form") ? "submit" : part.matches("input, select, textarea") ? "change" : "click";
    const wanted = (part.getAttribute("hx-trigger") || usual).split(/\s*,\s*/);
    if (!wanted.includes(event.type) || (event.type === "click" && (event.ctrlKey || event.metaKey || event.shiftKey))) return;
    if (event.type !== "change") event.preventDefault();
    ask(part, event.submitter);
  }
  ["click", "change", "submit"].forEach((name) => document.addEventListener(name, heard));

  window.addEventListener("popstate", (event) => event.state && event.state.isFilled && location.reload());
  watch(document.body);
})();
