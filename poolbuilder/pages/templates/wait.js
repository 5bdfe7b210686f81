// Asks how the build is doing and shows the result, which has the same address, when it is done.
(function () {
  "use strict";
  const key = JSON.parse(document.getElementById("data").textContent).key;
  const list = document.getElementById("steps");

  function line(words, at) {
    const item = document.createElement("li");
    const time = document.createElement("span");
    time.className = "time";
    time.textContent = " " + at.toFixed(1) + " s";
    item.append(words, time);
    return item;
  }

  async function ask() {
    let wait = 400;
    try {
      const answer = await fetch("status?key=" + encodeURIComponent(key));
      const build = await answer.json();
      if (build.state !== "waiting" && build.state !== "running") {
        location.replace(location.href);
        return;
      }
      for (const state of ["waiting", "running"]) {
        document.getElementById(state === "waiting" ? "waiting" : "working").hidden = build.state !== state;
      }
      list.replaceChildren(...build.steps.map((step) => line(step[1], step[0])));
      document.getElementById("time").textContent = build.seconds.toFixed(0) + " s so far.";
    } catch (error) {
      document.getElementById("time").textContent = "The page’s program does not answer; is it still running?";
      wait = 2000;
    }
    setTimeout(ask, wait);
  }
  ask();
})();
