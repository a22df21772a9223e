"use strict";
// Only a frame that scrolls says so and is a stop of the Tab key.
const frames = document.querySelectorAll(".scroll");
const measure = (frame) => {
  const wide = frame.scrollWidth > frame.clientWidth + 1;
  frame.classList.toggle("wide", wide);
  if (wide) { frame.tabIndex = 0; } else { frame.removeAttribute("tabindex"); }
};
const watcher = new ResizeObserver((seen) => seen.forEach((one) => measure(one.target)));
frames.forEach((frame) => { measure(frame); watcher.observe(frame); });

// One chart of a place at a time, by its list.
for (const box of document.querySelectorAll(".charts")) {
  const figures = [...box.querySelectorAll("figure")];
  const list = box.querySelector("select");
  const show = () => figures.forEach((figure, k) => { figure.hidden = String(k) !== list.value; });
  box.querySelector(".chooser").hidden = false;
  list.addEventListener("change", show);
  show();
}

// Paper cannot be unfolded.
let unfolded = [];
addEventListener("beforeprint", () => {
  unfolded = [...document.querySelectorAll("details:not([open])")];
  unfolded.forEach((part) => { part.open = true; });
});
addEventListener("afterprint", () => { unfolded.forEach((part) => { part.open = false; }); });
