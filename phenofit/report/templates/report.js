"use strict";
// One chart of a place at a time, by its list.
for (const box of document.querySelectorAll(".charts")) {
  const figures = [...box.querySelectorAll("figure")], list = box.querySelector("select");
  const show = () => figures.forEach((figure, k) => { figure.hidden = String(k) !== list.value; });
  box.querySelector(".chooser").hidden = false;
  list.addEventListener("change", show);
  show();
}
// Where a table or a figure is wider than its frame, say so until its end is in view.
for (const box of document.querySelectorAll(".scroll")) {
  const hint = document.createElement("p");
  hint.className = "hint";
  hint.textContent = "wider than shown: move it sideways →";
  box.before(hint);
  const tell = () => { hint.hidden = box.scrollLeft + box.clientWidth >= box.scrollWidth - 1; };
  box.addEventListener("scroll", tell);
  new ResizeObserver(tell).observe(box);
}
// Print everything that is folded.
const opened = [];
addEventListener("beforeprint", () => document.querySelectorAll("details:not([open])").forEach(part => { part.open = true; opened.push(part); }));
addEventListener("afterprint", () => { while (opened.length) opened.pop().open = false; });
