// The map: disc, water, streams, range edges and events, without tiles, on one canvas.
(function () {
  "use strict";
  const data = JSON.parse(document.getElementById("data").textContent);
  const holder = document.getElementById("map");
  if (!holder || !window.L) return;
  holder.hidden = false;
  const events = data.events;
  const site = L.latLng(data.site.latitude, data.site.longitude);
  const COARSE_M = 2000;
  let chosen = null;
  const base = window.poolMap(holder, site, data.site.radiusKm);
  const { map, ink, canvas, Mark } = base;
  holder.setAttribute("aria-label", "Map of the records around " + data.site.name);

  // ---- layers beneath the events
  function look(layer) {
    return {
      ranges: { color: ink.against, weight: 1.8, dashArray: "8 3 2 3", fill: false },
      states: { color: ink.faint, weight: 1, fill: false },
      basins: { color: ink.faint, weight: 1.1, dashArray: "1.5 3", fill: false },
      outline: { color: ink.water, weight: 1.5, fillColor: ink.wash, fillOpacity: 1 },
      streams: { color: ink.water, weight: 1.2, opacity: 0.8, fill: false },
      barriers: { color: ink.sheet, weight: 1, fill: true, fillColor: ink.ink, fillOpacity: 1, radius: 6 },
      disc: { color: ink.ink, weight: 1.4, dashArray: "6 4", fill: false },
    }[layer];
  }

  function said(text) {
    const line = document.createElement("p");
    line.textContent = text;
    return line;
  }

  const drawn = [];
  for (const layer of ["ranges", "states", "basins", "outline", "streams", "barriers", "disc"]) {
    for (const item of data.layers[layer] || []) {
      const shape = L.geoJSON(item.geometry, {
        renderer: canvas.under,
        pane: "under",
        style: () => look(layer),
        interactive: false,
        pointToLayer: (point, at) => new Mark(at, Object.assign({ renderer: canvas.under, pane: "under", interactive: false, kind: 3 }, look(layer))),
      }).addTo(map);
      drawn.push([shape, layer, item]);
    }
  }

  base.drawBase(data.layers);

  // ---- events
  const quiet = L.layerGroup().addTo(map);
  const loud = L.layerGroup().addTo(map);

  function text(index) {
    const box = document.createElement("div");
    const name = document.createElement("i");
    name.textContent = data.species[events.species[index]] || "";
    box.append(name);
    const places = events.uncertaintyM[index] >= 1000
      ? (events.uncertaintyM[index] / 1000).toFixed(0) + " km"
      : events.uncertaintyM[index].toFixed(0) + " m";
    const count = events.records[index];
    box.append(
      said((events.date[index] || "undated") + ", " + events.distanceKm[index].toFixed(1) + " km away"),
      said("placed to within " + places),
      said(count + (count === 1 ? " record: " : " records: ") + events.keys[index].join(", ")),
      said(events.datasets[events.dataset[index]] || "no data set named")
    );
    return box;
  }

  function place(index, group, loudly) {
    const at = [events.latitude[index], events.longitude[index]];
    const kind = events.kind[index];
    const renderer = canvas.marks;
    const pane = "marks";
    const colour = loudly ? (kind === 2 ? ink.against : ink.water) : ink.soft;
    if (events.uncertaintyM[index] > COARSE_M) {
      L.circle(at, {
        renderer: renderer, pane: pane, radius: events.uncertaintyM[index], color: colour, interactive: false,
        weight: loudly ? 1.2 : 0.6, opacity: loudly ? 0.9 : 0.4, dashArray: "4 3", fill: false,
      }).addTo(group);
      if (!loudly) return;
    }
    const open = kind === 1 || events.uncertaintyM[index] > COARSE_M;
    new Mark(at, {
      renderer: renderer, pane: pane, kind: kind, radius: loudly ? 5.2 : 2.4, interactive: true,
      color: open ? colour : loudly ? ink.sheet : colour, weight: loudly ? (open ? 2 : 1) : 0.5,
      fillColor: open && loudly ? ink.sheet : colour, fillOpacity: loudly ? 0.95 : 0.45, opacity: loudly ? 1 : 0.6,
    })
      .on("click", () => {
        L.popup({ maxWidth: 260 }).setLatLng(at).setContent(text(index)).openOn(map);
        if (events.species[index] !== chosen) {
          document.dispatchEvent(new CustomEvent("choose-species", { detail: events.species[index] }));
        }
      })
      .addTo(group);
  }

  const cross = L.layerGroup().addTo(map);

  function mark() {
    cross.clearLayers();
    L.circleMarker(site, { renderer: canvas.marks, pane: "marks", radius: 7, color: ink.ink, weight: 1.6, fill: false, interactive: false }).addTo(cross);
    L.circleMarker(site, { renderer: canvas.marks, pane: "marks", radius: 1.2, color: ink.ink, weight: 2, fill: true, fillOpacity: 1, interactive: false }).addTo(cross);
  }

  function show() {
    loud.clearLayers();
    let count = 0;
    if (chosen !== null) {
      for (let index = events.species.length - 1; index >= 0; index -= 1) {
        if (events.species[index] !== chosen) continue;
        place(index, loud, true);
        count += 1;
      }
    }
    for (const [shape, layer, item] of drawn) {
      const style = look(layer);
      if (layer === "ranges" && chosen === null) style.opacity = 0.45;
      if (layer === "ranges" && item.species && chosen !== null) {
        style.opacity = item.species === data.species[chosen] ? 1 : 0;
      }
      shape.setStyle(style);
    }
    mark();
    const line = document.getElementById("mapped");
    line.replaceChildren();
    if (chosen === null) {
      line.textContent = !events.species.length ? "No event within reach." : data.totals.reduce((sum, one) => sum + one, 0).toLocaleString("en") + " events of all species; choose one to see its own.";
    } else {
      const name = document.createElement("i");
      name.textContent = data.species[chosen];
      const all = data.totals[chosen];
      const said = all === 1 ? "1 event" : all.toLocaleString("en") + " events";
      line.append(name, ": " + said + " within reach" + (all > count ? ", the nearest " + count.toLocaleString("en") + " drawn." : "."));
    }
  }

  function all() {
    quiet.clearLayers();
    for (let index = 0; index < events.species.length; index += 1) place(index, quiet, false);
  }

  document.addEventListener("species-chosen", (event) => {
    chosen = event.detail;
    map.closePopup();
    show();
  });

  all();
  show();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    base.colours();
    base.rule();
    base.drawBase(data.layers);
    all();
    show();
  });
})();
