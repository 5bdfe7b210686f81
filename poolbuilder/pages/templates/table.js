// The table of species: choosing, sorting, filtering, and what happens for print.
(function () {
  "use strict";
  const data = JSON.parse(document.getElementById("data").textContent);
  const table = document.querySelector("table.pool");
  document.body.classList.add("scripted");
  if (!table) return;
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  const why = document.getElementById("why");
  const dossiers = new Map(
    Array.from(why.querySelectorAll(".dossier"), (article) => [Number(article.dataset.number), article])
  );
  let chosen = null;

  function byId(id) {
    return document.getElementById(id);
  }

  // ---- choosing: the argument opens beneath its row, the map hears of it
  function link(row) {
    return row.querySelector("th.name a");
  }

  function close() {
    const open = body.querySelector(".open-row");
    if (open) {
      why.append(open.querySelector(".dossier"));
      open.remove();
    }
    for (const row of rows) {
      row.classList.remove("chosen");
      link(row).setAttribute("aria-expanded", "false");
    }
    chosen = null;
  }

  function tell() {
    document.dispatchEvent(new CustomEvent("species-chosen", { detail: chosen }));
  }

  function choose(number) {
    const again = chosen === number;
    close();
    const row = rows.find((item) => Number(item.dataset.number) === number);
    if (!again && row) {
      if (row.classList.contains("unlikely")) fold(false);
      chosen = number;
      const place = document.createElement("tr");
      place.className = "open-row";
      place.setAttribute("role", "row");
      const cell = document.createElement("td");
      cell.setAttribute("role", "cell");
      cell.colSpan = row.cells.length;
      cell.append(dossiers.get(number));
      place.append(cell);
      row.after(place);
      row.classList.add("chosen");
      link(row).setAttribute("aria-expanded", "true");
    }
    remember();
    tell();
  }

  function remember() {
    const mark = chosen === null ? location.pathname + location.search : "#why-" + chosen;
    try {
      history.replaceState(null, "", mark);
    } catch (error) {
      // a page inside a frame without an address of its own keeps no mark
    }
  }

  for (const row of rows) {
    const number = Number(row.dataset.number);
    const anchor = link(row);
    anchor.setAttribute("role", "button");
    anchor.setAttribute("aria-expanded", "false");
    anchor.setAttribute("aria-controls", "why-" + number);
    anchor.addEventListener("click", (event) => {
      event.preventDefault();
      event.stopPropagation();
      choose(number);
    });
    row.addEventListener("click", () => {
      if (!String(getSelection())) choose(number);
    });
    anchor.addEventListener("keydown", (event) => {
      const shown = rows.filter((item) => item.offsetParent !== null);
      shown.sort((a, b) => a.rowIndex - b.rowIndex);
      const at = shown.indexOf(row);
      const next = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: shown.length - 1 }[event.key];
      if (event.key === " ") {
        event.preventDefault();
        choose(number);
      } else if (event.key === "Escape" && chosen !== null) {
        choose(chosen);
      } else if (next !== undefined && shown[next]) {
        event.preventDefault();
        link(shown[next]).focus();
      }
    });
  }

  // The map asks for a species when one of its marks is clicked.
  document.addEventListener("choose-species", (event) => {
    if (chosen !== event.detail) choose(event.detail);
    const row = rows[event.detail] && rows.find((item) => Number(item.dataset.number) === event.detail);
    if (row) row.scrollIntoView({ block: "nearest" });
  });

  // ---- sorting
  const textKeys = new Set(["name", "status"]);
  let order = { key: "presence", down: true };

  function value(row, key) {
    if (key === "name" || key === "status") return row.dataset[key].toLocaleLowerCase("en");
    const number = row.dataset[key];
    return number === "" ? null : Number(number);
  }

  function compare(a, b) {
    const x = value(a, order.key);
    const y = value(b, order.key);
    if (x === y) return Number(a.dataset.number) - Number(b.dataset.number);
    if (x === null) return 1;
    if (y === null) return -1;
    return (x < y ? -1 : 1) * (order.down ? -1 : 1);
  }

  function sort() {
    const open = body.querySelector(".open-row");
    for (const row of rows.slice().sort(compare)) {
      body.append(row);
      if (open && row.classList.contains("chosen")) body.append(open);
    }
    for (const head of table.tHead.rows[0].cells) {
      const mine = head.dataset.key === order.key;
      head.setAttribute("aria-sort", mine ? (order.down ? "descending" : "ascending") : "none");
    }
  }

  for (const head of table.tHead.rows[0].cells) {
    const key = head.dataset.key;
    const button = document.createElement("button");
    button.type = "button";
    button.append(head.firstChild);
    head.prepend(button);
    button.addEventListener("click", () => {
      const first = !textKeys.has(key) && key !== "nearest";
      order = { key: key, down: order.key === key ? !order.down : first };
      sort();
    });
  }
  sort();

  // ---- the unlikely ones, folded into one line
  const unfolder = byId("show-unlikely");

  function fold(folded) {
    if (!unfolder) return;
    table.classList.toggle("folded", folded);
    unfolder.setAttribute("aria-expanded", String(!folded));
    unfolder.textContent = folded ? "Show them in the list" : "Fold them again";
  }

  if (unfolder) {
    unfolder.hidden = false;
    unfolder.addEventListener("click", () => fold(!table.classList.contains("folded")));
    fold(true);
  }
  byId("how").hidden = false;

  // ---- every event of a species, on demand
  const events = data.events;

  function kilometres(value) {
    if (value === null) return "–";
    return (value < 1 ? value.toFixed(2) : value < 10 ? value.toFixed(1) : value.toFixed(0)) + "\u00a0km";
  }

  function signed(number) {
    if (Math.abs(number) < 0.005) return "0.00";
    return (number > 0 ? "+" : "−") + Math.abs(number).toFixed(2);
  }

  function keysOf(index) {
    const more = events.records[index] - events.keys[index].length;
    return events.keys[index].join(", ") + (more > 0 ? ", and " + more + " more in evidence.parquet" : "");
  }

  function fill(article, number) {
    const list = article.querySelector(".events-list tbody");
    const indexes = [];
    for (let index = 0; index < events.species.length; index += 1) {
      if (events.species[index] === number) indexes.push(index);
    }
    indexes.sort((a, b) => events.logOdds[b] - events.logOdds[a] || events.distanceKm[a] - events.distanceKm[b]);
    const part = document.createDocumentFragment();
    for (const index of indexes) {
      const line = document.createElement("tr");
      const cells = [
        [events.date[index] || "undated", ""],
        [kilometres(events.distanceKm[index]), "number"],
        [kilometres(events.uncertaintyM[index] / 1000), "number"],
        [signed(events.logOdds[index]), "number"],
        [keysOf(index), "keys"],
        [events.datasets[events.dataset[index]] || "", ""],
      ];
      for (const [text, kind] of cells) {
        const cell = document.createElement("td");
        cell.textContent = text;
        cell.className = kind;
        line.append(cell);
      }
      part.append(line);
    }
    list.replaceChildren(part);
  }

  for (const [number, article] of dossiers) {
    const list = article.querySelector(".events-list");
    if (!list) continue;
    const total = events.species.filter((item) => item === number).length;
    if (total <= list.tBodies[0].rows.length) continue;
    const button = document.createElement("button");
    button.type = "button";
    button.className = "plain";
    const whole = total < data.totals[number] ? "the nearest " : "all ";
    button.textContent = "Show " + whole + total.toLocaleString("en") + " events";
    button.addEventListener("click", () => {
      fill(article, number);
      list.caption.textContent = whole[0].toUpperCase() + whole.slice(1) + total.toLocaleString("en") + " events, " +
        (list.caption.textContent.includes("nearest") ? "the nearest first" : "the weightiest first");
      button.remove();
      list.tabIndex = -1;
      list.focus();
    });
    list.after(button);
  }

  // ---- the long list of pairs, and folded fine print
  const more = byId("more-pairs");
  const show = byId("show-pairs");
  let setMore = null;
  if (more && show) {
    const label = show.textContent;
    const set = (open) => {
      more.hidden = !open;
      show.setAttribute("aria-expanded", String(open));
      show.textContent = open ? "Show fewer pairs" : label;
    };
    setMore = set;
    show.hidden = false;
    show.addEventListener("click", () => set(more.hidden));
    set(false);
  }
  const folded = Array.from(document.querySelectorAll("#fine-print details"));

  // ---- print: two pages, or everything where that is asked for
  let before = null;
  window.addEventListener("beforeprint", () => {
    if (before) return;
    before = { chosen: chosen, open: folded.map((item) => item.open), more: more && !more.hidden };
    close();
    if (setMore) setMore(true);
    for (const item of folded) item.open = document.body.classList.contains("print-all");
    for (const number of Array.from(dossiers.keys()).sort((a, b) => a - b)) why.append(dossiers.get(number));
  });
  window.addEventListener("afterprint", () => {
    if (!before) return;
    document.body.classList.remove("print-all");
    folded.forEach((item, index) => { item.open = before.open[index]; });
    if (setMore) setMore(before.more);
    if (before.chosen !== null) choose(before.chosen);
    before = null;
  });
  const whole = byId("print-all");
  whole.hidden = false;
  whole.addEventListener("click", () => {
    document.body.classList.add("print-all");
    window.print();
  });

  // ---- a link to a folded part unfolds it
  function unfold(mark) {
    const part = mark.length > 1 && folded.find((item) => "#" + item.id === mark);
    if (part) {
      part.open = true;
      part.scrollIntoView();
    }
  }
  for (const link of document.querySelectorAll(".jump a")) {
    link.addEventListener("click", () => unfold(link.getAttribute("href")));
  }

  // ---- a bookmark of a species opens it
  function follow() {
    const mark = /^#why-(\d+)$/.exec(location.hash);
    if (mark && dossiers.has(Number(mark[1])) && Number(mark[1]) !== chosen) {
      choose(Number(mark[1]));
      const row = body.querySelector("tr.chosen");
      if (row) row.scrollIntoView({ block: "start" });
    }
    unfold(location.hash);
  }
  window.addEventListener("hashchange", follow);
  window.addEventListener("load", follow);
})();
