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
  let ink = {};

  function colours() {
    const style = getComputedStyle(document.documentElement);
    for (const name of ["ink", "soft", "rule", "hair", "water", "wash", "against", "faint", "sheet", "land"]) {
      ink[name] = style.getPropertyValue("--" + name).trim();
    }
  }
  colours();

  const map = L.map(holder, {
    preferCanvas: true,
    attributionControl: false,
    zoomSnap: 0.25,
    zoomDelta: 0.5,
    minZoom: 2,
    maxZoom: 18,
    scrollWheelZoom: false,
    worldCopyJump: false,
  });
  holder.setAttribute("aria-label", "Map of the records around " + data.site.name);
  holder.setAttribute("role", "region");
  // The wheel moves the page until the map is clicked: nobody is caught while scrolling.
  map.on("focus click", () => map.scrollWheelZoom.enable());
  map.on("blur mouseout", () => map.scrollWheelZoom.disable());

  for (const [name, height] of [["under", 250], ["quiet", 410], ["loud", 420]]) {
    map.createPane(name).style.zIndex = height;
  }
  const canvas = {
    under: L.canvas({ pane: "under", padding: 0.3 }),
    quiet: L.canvas({ pane: "quiet", padding: 0.3 }),
    loud: L.canvas({ pane: "loud", padding: 0.3, tolerance: 4 }),
  };

  // A mark of its own shape: disc, ring (ambiguous), diamond (parent of a hybrid) or wedge (barrier).
  const Mark = L.CircleMarker.extend({
    _updatePath: function () {
      const renderer = this._renderer;
      if (!renderer._drawing || this._empty()) return;
      const pen = renderer._ctx;
      const at = this._point;
      const r = this._radius;
      pen.beginPath();
      if (this.options.kind === 2) {
        pen.moveTo(at.x, at.y - r * 1.35);
        pen.lineTo(at.x + r * 1.35, at.y);
        pen.lineTo(at.x, at.y + r * 1.35);
        pen.lineTo(at.x - r * 1.35, at.y);
        pen.closePath();
      } else if (this.options.kind === 3) {
        pen.moveTo(at.x - r, at.y - r * 0.8);
        pen.lineTo(at.x + r, at.y - r * 0.8);
        pen.lineTo(at.x, at.y + r);
        pen.closePath();
      } else {
        pen.arc(at.x, at.y, r, 0, Math.PI * 2);
      }
      renderer._fillStroke(pen, this);
    },
  });

  // ---- layers beneath the events
  function look(layer) {
    return {
      ranges: { color: ink.against, weight: 1.8, dashArray: "8 3 2 3", fill: false },
      states: { color: ink.faint, weight: 1, fill: false },
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
  for (const layer of ["ranges", "states", "outline", "streams", "barriers", "disc"]) {
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

  // ---- graticule
  const grid = L.layerGroup().addTo(map);
  const steps = [0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30];

  function degree(value, plus, minus) {
    const turned = plus === "E" ? ((value + 540) % 360) - 180 : value;
    const text = String(Math.abs(Number(turned.toFixed(3))));
    return text + "° " + (turned > 0 ? plus : turned < 0 ? minus : "");
  }

  function rule() {
    grid.clearLayers();
    const seen = map.getBounds();
    const draw = (ends, label, at, anchor) => {
      L.polyline(ends, { renderer: canvas.under, pane: "under", color: ink.rule, weight: 0.7, interactive: false }).addTo(grid);
      const text = L.divIcon({ className: "degree", html: label, iconSize: null, iconAnchor: anchor });
      L.marker(at, { icon: text, interactive: false, keyboard: false, pane: "under" }).addTo(grid);
    };
    const pick = (span) => steps.filter((step) => step <= span / 3).pop() || steps[0];
    let step = pick(seen.getNorth() - seen.getSouth());
    for (let value = Math.ceil(seen.getSouth() / step) * step; value < seen.getNorth(); value += step) {
      draw([[value, seen.getWest()], [value, seen.getEast()]], degree(value, "N", "S"), [value, seen.getEast()], [48, 15]);
    }
    step = pick(seen.getEast() - seen.getWest());
    for (let value = Math.ceil(seen.getWest() / step) * step; value < seen.getEast(); value += step) {
      draw([[seen.getSouth(), value], [seen.getNorth(), value]], degree(value, "E", "W"), [seen.getNorth(), value], [-3, -2]);
    }
  }

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
    const renderer = loudly ? canvas.loud : canvas.quiet;
    const pane = loudly ? "loud" : "quiet";
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
    L.circleMarker(site, { renderer: canvas.loud, pane: "loud", radius: 7, color: ink.ink, weight: 1.6, fill: false, interactive: false }).addTo(cross);
    L.circleMarker(site, { renderer: canvas.loud, pane: "loud", radius: 1.2, color: ink.ink, weight: 2, fill: true, fillOpacity: 1, interactive: false }).addTo(cross);
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
      if (layer === "ranges" && item.species && chosen !== null) {
        style.opacity = item.species === data.species[chosen] ? 1 : 0.15;
      }
      shape.setStyle(style);
    }
    mark();
    const line = document.getElementById("mapped");
    line.replaceChildren();
    if (chosen === null) {
      line.textContent = events.species.length.toLocaleString("en") + " events of all species; choose one to see its own.";
    } else {
      const name = document.createElement("i");
      name.textContent = data.species[chosen];
      line.append(name, ": " + (count === 1 ? "1 event" : count.toLocaleString("en") + " events") + " within reach.");
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

  L.control.scale({ imperial: false, maxWidth: 140 }).addTo(map);
  const home = L.control({ position: "topleft" });
  home.onAdd = () => {
    const bar = L.DomUtil.create("div", "leaflet-bar");
    const button = L.DomUtil.create("a", "", bar);
    button.href = "#map";
    button.setAttribute("role", "button");
    button.textContent = "◎";
    button.title = "Show the whole search disc";
    button.setAttribute("aria-label", button.title);
    L.DomEvent.on(button, "click", (event) => {
      L.DomEvent.stop(event);
      fit();
    });
    return bar;
  };
  home.addTo(map);

  function fit() {
    const up = (1.04 * data.site.radiusKm) / 110.6;
    const side = up / Math.max(0.05, Math.cos((Math.min(85, Math.abs(site.lat)) * Math.PI) / 180));
    map.fitBounds(
      [[Math.max(-89, site.lat - up), site.lng - side], [Math.min(89, site.lat + up), site.lng + side]],
      { animate: false, padding: [2, 2] }
    );
  }

  fit();
  rule();
  map.on("moveend", rule);
  all();
  show();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    colours();
    rule();
    all();
    show();
  });
  window.poolMap = map;
})();
