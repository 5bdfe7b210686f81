"use strict";
(function () {
  const form = document.getElementById("controls");
  const find = document.getElementById("find");
  const only = document.getElementById("only-new");
  const shown = document.getElementById("shown");
  const cards = Array.from(document.querySelectorAll(".i-card"));
  function look() {
    const wanted = find.value.trim().toLowerCase();
    let count = 0;
    for (const card of cards) {
      const fits = card.dataset.find.includes(wanted) && (!only || !only.checked || card.classList.contains("i-hasnew"));
      card.hidden = !fits;
      if (fits) count += 1;
    }
    shown.textContent = count + (count === 1 ? " water" : " waters");
  }
  function reveal() {
    const card = document.getElementById(window.location.hash.slice(1));
    if (card && card.hidden) {
      find.value = "";
      if (only) only.checked = false;
      look();
      card.scrollIntoView();
    }
  }
  form.hidden = false;
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  find.addEventListener("input", look);
  if (only) only.addEventListener("change", look);
  window.addEventListener("hashchange", reveal);
  look();
}());
