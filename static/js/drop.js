/* Holdfast: a form that takes drawings. Choosing, dropping or pasting a picture sends it at once.
 * Without this script the form's own file control and button do the same. */
(function () {
  "use strict";

  function send(form, input) {
    if (!input.files.length) return;
    form.querySelectorAll('input[type="file"]').forEach((other) => {
      other.disabled = other !== input;
    });
    const words = form.querySelector("[data-drop-sending]");
    if (words) words.hidden = false;
    form.requestSubmit();
  }

  function take(form, files) {
    const input = form.querySelector('input[type="file"]');
    const chosen = new DataTransfer();
    for (const file of files) {
      if (chosen.items.length && !input.multiple) break;
      chosen.items.add(file);
    }
    if (!chosen.items.length) return;
    input.files = chosen.files;
    send(form, input);
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
    if (form && event.target.type === "file") send(form, event.target);
  });

  // The whole page takes a drop; the form's outline shows it.
  const carriesFiles = (event) => event.dataTransfer && [...event.dataTransfer.types].includes("Files");
  const dropForm = () => document.querySelector("[data-drop]");

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

  // Coming back by the browser's own button finds the form ready again.
  window.addEventListener("pageshow", () => {
    document.querySelectorAll("[data-drop-sending]").forEach((words) => {
      words.hidden = true;
    });
    document.querySelectorAll('[data-drop] input[type="file"]').forEach((input, at) => {
      input.value = "";
      input.disabled = at > 0;
    });
  });
})();
