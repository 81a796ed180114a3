"use strict";
// Everything is on the page without this; it only lets one fade, hide and jump.
document.documentElement.classList.remove("no-script");
for (const stage of document.querySelectorAll("[data-stage]")) {
  const within = stage.closest("figure");
  for (const dimmer of within.querySelectorAll("input[type=range]")) {
    const fade = () => {
      stage.style.setProperty("--upper", dimmer.value / 100);
      dimmer.setAttribute("aria-valuetext", `${dimmer.value} % ${dimmer.dataset.end}`);
    };
    dimmer.addEventListener("input", fade);
    fade();
  }
  for (const box of within.querySelectorAll("input[data-layer]")) {
    const put = () => {
      const layer = box.dataset.layer;
      if (layer === "glow") stage.classList.toggle("show-glow", box.checked);
      else document.body.classList.toggle(`hide-${layer}`, !box.checked);
    };
    box.addEventListener("change", put);
    put();
  }
  stage.addEventListener("click", (event) => {
    const hit = event.target.closest("[data-to]");
    if (hit) location.hash = hit.dataset.to;
  });
}
// Escape leads from a leak back to its number in the photo.
document.addEventListener("keydown", (event) => {
  const card = event.key === "Escape" && event.target.closest?.("[data-back]");
  if (card) location.hash = card.dataset.back;
});
