"use strict";
(function () {
  document.documentElement.classList.add("on");
  // the index's filter travels in the fragment; it only ever becomes a fragment again
  var found = /[#&]back=([^&]*)/.exec(location.hash);
  if (!found) return;
  var state;
  try { state = decodeURIComponent(found[1]); } catch (e) { return; }
  document.getElementById("back").setAttribute("href", "../index.html#" + state);
  document.querySelectorAll("a.step").forEach(function (a) {
    a.setAttribute("href", a.getAttribute("href").split("#")[0] + "#back=" + found[1]);
  });
})();
