(function () {
  "use strict";
  var root = document.currentScript.closest("figure");
  var data = JSON.parse(root.querySelector(".pfm-data").textContent);
  var readout = root.querySelector(".pfm-readout");
  var hint = readout.textContent;
  var sites = Array.prototype.slice.call(root.querySelectorAll(".pfm-site"));

  function show(number) {
    root.querySelectorAll(".pfm-view").forEach(function (part) {
      part.toggleAttribute("hidden", Number(part.dataset.view) !== number);
    });
    sites.forEach(function (site) {
      site.querySelector(".pfm-mark").setAttribute("fill", data.views[number].fills[Number(site.dataset.index)]);
    });
  }

  function read(site) {
    sites.forEach(function (other) {
      other.setAttribute("aria-selected", other === site ? "true" : "false");
    });
    readout.textContent = site ? site.getAttribute("aria-label") : hint;
  }

  function walkTo(site) {
    sites.forEach(function (other) { other.setAttribute("tabindex", other === site ? "0" : "-1"); });
    site.focus();
  }

  root.querySelectorAll(".pfm-choice input").forEach(function (input) {
    input.addEventListener("change", function () { if (input.checked) { show(Number(input.value)); } });
    if (input.checked) { show(Number(input.value)); }
  });
  sites.forEach(function (site, place) {
    site.addEventListener("pointerenter", function () { read(site); });
    site.addEventListener("click", function () { walkTo(site); });
    site.addEventListener("focus", function () { read(site); });
    site.addEventListener("keydown", function (event) {
      var to = { ArrowRight: place + 1, ArrowDown: place + 1, ArrowLeft: place - 1, ArrowUp: place - 1,
                 Home: 0, End: sites.length - 1 }[event.key];
      if (event.key === "Escape") { site.blur(); read(null); return; }
      if (to === undefined) { return; }
      event.preventDefault();
      walkTo(sites[Math.max(0, Math.min(sites.length - 1, to))]);
    });
  });
})();
