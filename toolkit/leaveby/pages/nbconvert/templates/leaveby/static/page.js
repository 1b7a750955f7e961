// Says how far the answer is, and shows it when the page is whole and Voila has put its look on.
window.voila_heartbeat = function() {};
window.voila_finish = function() {
  document.getElementById("loading")?.remove();
  document.getElementById("rendered_cells").style.display = "";
};
function say_step() {
  const words = document.getElementById("loading_text"), bar = document.getElementById("loading_bar");
  const cells = document.querySelectorAll("[cell-index]"), steps = Number(cells[0]?.dataset.of);
  if (!words || !steps || bar.value === cells.length) return;
  words.textContent = `Working out the answer: ${cells.length} of ${steps} steps done. The longest can take a minute; please leave the page open.`;
  bar.max = steps;
  bar.value = cells.length;
}
// A slider's words stand beside it; those who hear the page need them on the handle itself.
const SIGNS = { "fa-play": "Start the clock", "fa-pause": "Stop the clock", "fa-stop": "Back to the beginning", "fa-repeat": "Again and again",
  "fa-retweet": "Again and again" };
function name_controls() {
  for (const sign of document.querySelectorAll(".jupyter-button > i.fa")) {
    const button = sign.parentElement, words = Object.keys(SIGNS).find(name => sign.classList.contains(name));
    if (words && !button.textContent.trim() && button.getAttribute("aria-label") !== SIGNS[words]) {
      button.setAttribute("aria-label", SIGNS[words]);
      button.title = SIGNS[words];
    }
  }
  for (const box of document.querySelectorAll(".widget-inline-hbox:not([data-named])")) {
    const words = box.querySelector(".widget-label"), part = box.querySelector("[role=slider], select, input, textarea");
    // A box to tick has its words in a label of its own, and an empty one beside it.
    if (!words || !part || part.type === "checkbox") continue;
    box.dataset.named = "";
    part.setAttribute("aria-label", words.textContent);
    const shown = box.querySelector(".widget-readout");
    if (shown) { shown.setAttribute("role", "textbox"); shown.setAttribute("aria-label", words.textContent); }
  }
}
new MutationObserver(() => { say_step(); name_controls(); }).observe(document.documentElement, { childList: true, subtree: true });
document.addEventListener("DOMContentLoaded", () => {
  window.cellLoaded = true;
  if (window.themeLoaded) window.voila_finish();
});
