"use strict";
(function () {
  const form = document.getElementById("controls");
  const find = document.getElementById("find");
  const only = document.getElementById("only-new");
  const shown = document.getElementById("shown");
  const rest = document.getElementById("rest");
  const lines = Array.from(document.querySelectorAll(".i-line"));
  function look() {
    const wanted = find.value.trim().toLowerCase();
    let count = 0;
    for (const line of lines) {
      const fits = line.dataset.find.includes(wanted) && (!only || !only.checked || line.classList.contains("i-hasnew"));
      line.hidden = !fits;
      if (fits) count += 1;
    }
    if (rest) {
      const left = rest.querySelectorAll(".i-line:not([hidden])").length;
      rest.hidden = left === 0;
      if (wanted) rest.open = left > 0;
    }
    shown.textContent = count + (count === 1 ? " water" : " waters");
  }
  form.hidden = false;
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  find.addEventListener("input", look);
  if (only) only.addEventListener("change", look);
  look();
}());
