/* Holdfast: tells before anything is painted that scripts run, so that nothing jumps into place. */
document.documentElement.classList.add("scripted");
