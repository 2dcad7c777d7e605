/* Holdfast, the pens: what is found, in the list and on the board, and bridges proposed. */
(function (Pens) {
  "use strict";

  const { root, part, keep } = Pens;
  const proposals = [];
  let found = { marks: [], left_out_paths: [] };

  function show(answer) {
    found = answer;
    part("said").textContent = answer.said;
    const held = document.activeElement && document.activeElement.dataset.key;
    const isOpen = part("more") && part("more").open;
    part("found").innerHTML = answer.html;
    if (isOpen && part("more")) part("more").open = true;
    const again = held && part("found").querySelector(`[data-key="${held}"]`);
    if (again) again.focus();
    Pens.drawMarks(found);
  }

  root.addEventListener("pens-view", () => Pens.drawMarks(found));

  async function propose() {
    const words = part("proposed");
    words.textContent = "Looking for places …";
    const locked = proposals.filter((one) => one.isLocked).map(({ points_mm, width_mm }) => ({ points_mm, width_mm }));
    try {
      const answer = await keep.ask(root.dataset.propose, { style: part("style").value, locked });
      proposals.length = 0;
      answer.bridges.forEach((one) =>
        proposals.push({ pen: "white", points_mm: [one.from_mm, one.to_mm], width_mm: one.width_mm, reason: one.reason, isLocked: one.locked, others: one.alternatives })
      );
      words.textContent = answer.said;
    } catch (error) {
      words.textContent = error.isLasting ? error.message : "That did not get through: no connection. Try again.";
    }
    changed();
  }

  // The reasons are the server's own words and hold no markup.
  function changed() {
    part("proposed-all").hidden = !proposals.length;
    part("bridges").innerHTML = proposals
      .map((one, at) => {
        const button = (act, look, text, label) => `<button type="button" class="${look}" data-bridge="${at}" data-act="${act}"${label ? ` aria-label="${label} bridge ${at + 1}"` : ""}>${text}</button>`;
        return `<li>${button("choose", "link", `Bridge ${at + 1}: ${one.isLocked ? "kept where you put it" : one.reason}`)}
          ${button("accept", "button", "Put in", "Put in")}${one.others.length ? button("other", "button button-plain", "Other place", "Other place for") : ""}</li>`;
      })
      .join("");
    Pens.draw();
  }

  // The place it leaves goes to the end of the row, so that pressing on comes round again.
  function otherPlace(one) {
    const [next, ...rest] = one.others;
    one.others = [...rest, { from_mm: one.points_mm[0], to_mm: one.points_mm[1] }];
    one.points_mm = [next.from_mm, next.to_mm];
    changed();
  }

  function accept(some) {
    Pens.putIn(some);
    remove(some);
    part("proposed").textContent = some.length === 1 ? "The bridge is in." : `${some.length} bridges are in.`;
    (part("bridges").querySelector("button") || root.querySelector('[data-do="propose"]')).focus();
  }

  function remove(some) {
    some.slice().forEach((one) => proposals.splice(proposals.indexOf(one), 1));
    changed();
  }

  root.addEventListener("click", ({ target }) => {
    const { go, act, bridge } = target.dataset;
    if (go) Pens.goTo(...go.split(" ").map(Number));
    const one = act && proposals[bridge];
    if (!one) return;
    if (act === "accept") accept([one]);
    else if (act === "other") {
      otherPlace(one);
      part("bridges").querySelector(`[data-act="other"][data-bridge="${bridge}"]`).focus();
    } else {
      Pens.choose(one);
      Pens.goTo(...one.points_mm[0], 40);
    }
  });

  Pens.found = { show, proposals, propose, accept, otherPlace, remove, changed };
})(window.Pens);
