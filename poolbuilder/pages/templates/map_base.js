// What every map of ours shares: colours of the page, panes, shapes of marks, graticule, controls.
window.poolMap = function (holder, site, radiusKm) {
  "use strict";
  const ink = {};

  function colours() {
    const style = getComputedStyle(document.documentElement);
    for (const name of ["ink", "soft", "rule", "hair", "water", "wash", "against", "faint", "sheet", "land", "pale"]) {
      ink[name] = style.getPropertyValue("--" + name).trim();
    }
    ink.paleEdge = style.getPropertyValue("--pale-edge").trim();
  }
  colours();

  const map = L.map(holder, {
    preferCanvas: true,
    attributionControl: false,
    zoomSnap: 0.25,
    zoomDelta: 0.5,
    minZoom: 1,
    maxZoom: 18,
    scrollWheelZoom: false,
  });
  holder.setAttribute("role", "region");
  // The wheel moves the page until the map is clicked: nobody is caught while scrolling.
  map.on("focus click", () => map.scrollWheelZoom.enable());
  map.on("blur mouseout", () => map.scrollWheelZoom.disable());

  // One canvas takes the clicks: of two, the upper would keep them from the lower.
  for (const [name, height] of [["under", 250], ["marks", 410]]) {
    map.createPane(name).style.zIndex = height;
  }
  const canvas = {
    under: L.canvas({ pane: "under", padding: 0.3 }),
    marks: L.canvas({ pane: "marks", padding: 0.3, tolerance: 4 }),
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
    const up = (1.04 * radiusKm) / 110.6;
    const side = up / Math.max(0.05, Math.cos((Math.min(85, Math.abs(site.lat)) * Math.PI) / 180));
    map.fitBounds(
      [[Math.max(-89, site.lat - up), site.lng - side], [Math.min(89, site.lat + up), site.lng + side]],
      { animate: false, padding: [2, 2] }
    );
  }

  // ---- the base map: coasts, lakes, rivers, borders, and the largest towns by name
  const BASE = ["coast", "lake", "river", "county", "state", "border"];

  function baseLook(layer) {
    return {
      coast: { color: ink.soft, weight: 1, fill: false },
      border: { color: ink.soft, weight: 1, fill: false },
      state: { color: ink.soft, weight: 0.9, dashArray: "8 3", opacity: 0.7, fill: false },
      county: { color: ink.rule, weight: 0.8, fill: false },
      lake: { color: ink.paleEdge, weight: 0.6, fillColor: ink.pale, fillOpacity: 1 },
      river: { color: ink.paleEdge, weight: 1.4, fill: false },
    }[layer];
  }

  const beneath = L.layerGroup().addTo(map);
  const towns = L.layerGroup().addTo(map);
  let places = [];

  function nameTowns() {
    towns.clearLayers();
    const taken = [];
    for (const item of places) {
      const at = L.latLng(item.geometry.coordinates[1], item.geometry.coordinates[0]);
      const point = map.latLngToContainerPoint(at);
      if (!map.getBounds().contains(at) || taken.length > 11) continue;
      if (taken.some((other) => Math.abs(other.x - point.x) < 110 && Math.abs(other.y - point.y) < 20)) continue;
      taken.push(point);
      const label = document.createElement("span");
      label.textContent = item.name || item.label;
      const crowded = point.x > map.getSize().x - 110; // no room to the right: the name goes to the left
      const icon = L.divIcon({ className: crowded ? "town left" : "town", html: label, iconSize: null, iconAnchor: [2, 8] });
      L.marker(at, { icon: icon, interactive: false, keyboard: false, pane: "under" }).addTo(towns);
    }
  }

  function drawBase(layers) {
    beneath.clearLayers();
    for (const layer of BASE) {
      for (const item of layers[layer] || []) {
        const shape = L.geoJSON(item.geometry, {
          renderer: canvas.under, pane: "under", interactive: false, style: () => baseLook(layer),
        }).addTo(beneath);
        shape.eachLayer((part) => part.bringToBack && part.bringToBack());
      }
    }
    for (const item of layers.region || []) {
      const label = document.createElement("span");
      label.textContent = item.name || item.label;
      const icon = L.divIcon({ className: "region", html: label, iconSize: [0, 0] });
      const at = L.latLng(item.geometry.coordinates[1], item.geometry.coordinates[0]);
      L.marker(at, { icon: icon, interactive: false, keyboard: false, pane: "under" }).addTo(beneath);
    }
    places = layers.town || [];
    nameTowns();
  }

  fit();
  rule();
  map.on("moveend", rule);
  map.on("moveend", nameTowns);
  return { drawBase: drawBase, map: map, ink: ink, canvas: canvas, Mark: Mark, rule: rule, colours: colours };
};
