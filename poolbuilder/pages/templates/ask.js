// The map of the form: a click fills in the coordinates, typed coordinates move the circle.
(function () {
  "use strict";
  const data = JSON.parse(document.getElementById("data").textContent);
  const field = document.getElementById("at");
  const radius = document.getElementById("radiusKm");
  const holder = document.getElementById("where");
  holder.setAttribute("aria-label", "Map to choose a place on; the field for coordinates does the same");

  function typed() {
    const pair = /^\s*([+-]?\d+(?:\.\d+)?)\s*[,; ]\s*([+-]?\d+(?:\.\d+)?)\s*$/.exec(field.value.replace("\u2212", "-"));
    if (!pair) return null;
    const at = L.latLng(Number(pair[1]), Number(pair[2]));
    return Math.abs(at.lat) <= 90 && Math.abs(at.lng) <= 180 ? at : null;
  }

  function km() {
    const value = Number(radius.value.replace(",", "."));
    return value > 0 && value <= 2000 ? value : 40;
  }

  const start = typed();
  const known = data.places.map((place) => L.latLng(place[1], place[0]))
    .concat(data.waters.map((water) => L.latLng(water[1], water[0])));
  // Most of them: a record far away must not make the map a map of the world.
  function most(points) {
    const order = (values) => values.slice().sort((a, b) => a - b);
    const cut = Math.floor(points.length * 0.02);
    const lat = order(points.map((at) => at.lat)).slice(cut, points.length - cut);
    const lng = order(points.map((at) => at.lng)).slice(cut, points.length - cut);
    return L.latLngBounds([lat[0], lng[0]], [lat[lat.length - 1], lng[lng.length - 1]]);
  }

  const middle = start || (known.length ? most(known).getCenter() : L.latLng(38, -92));
  const base = window.poolMap(holder, middle, start ? km() * 3 : 1500);
  const { map, ink, canvas, Mark } = base;
  if (!start && known.length) map.fitBounds(most(known).pad(0.1), { animate: false, maxZoom: 9 });

  // The base map is asked for anew when the view has left what was drawn.
  let asked = null;
  let latest = 0;
  let shown = {};
  async function beneath() {
    const seen = map.getBounds();
    if (asked && asked.contains(seen) && map.getZoom() < asked.zoom + 2.5) return;
    asked = seen.pad(0.5);
    asked.zoom = map.getZoom();
    const at = seen.getCenter().wrap();
    const km = map.distance(seen.getCenter(), seen.getNorthWest()) / 1000;
    const turn = (latest += 1);
    try {
      const answer = await fetch("base?lat=" + at.lat.toFixed(2) + "&lon=" + at.lng.toFixed(2) + "&km=" + (km * 0.8).toFixed(0));
      const found = await answer.json();
      if (turn !== latest) return;
      shown = found.layers;
      base.drawBase(shown);
      document.getElementById("map-credit").textContent = found.credit;
    } catch (error) {
      // without an answer the map shows what it had
    }
  }
  map.on("moveend", beneath);
  beneath();

  const name = document.getElementById("name");

  // Outlines and streams: a click on a water takes its name too.
  const shapes = [];
  for (const [kind, look] of [["water", () => ({ color: ink.water, weight: 1.3, fillColor: ink.wash, fillOpacity: 1 })], ["streams", () => ({ color: ink.water, weight: 1, opacity: 0.7, fill: false })]]) {
    for (const item of data[kind]) {
      const shape = L.geoJSON(item.geometry, { renderer: canvas.marks, pane: "marks", style: look }).addTo(map);
      if (item.name && kind === "water") shape.on("click", () => { name.value = item.name; });
      shapes.push([shape, look]);
    }
  }

  const dots = L.layerGroup().addTo(map);
  const circle = L.layerGroup().addTo(map);

  function draw() {
    dots.clearLayers();
    for (const place of data.places) {
      new Mark([place[1], place[0]], { renderer: canvas.marks, pane: "marks", radius: 2, color: ink.soft, fillColor: ink.soft, weight: 0.5, fillOpacity: 0.5, interactive: false }).addTo(dots);
    }
    for (const water of data.waters) {
      const mark = new Mark([water[1], water[0]], { renderer: canvas.marks, pane: "marks", kind: 2, radius: 5, color: ink.sheet, fillColor: ink.water, weight: 1, fillOpacity: 1 });
      const name = document.createElement("span");
      name.textContent = water[2];
      mark.bindTooltip(name).addTo(dots);
    }
  }

  function show(at) {
    circle.clearLayers();
    if (!at) return;
    L.circle(at, { renderer: canvas.marks, pane: "marks", radius: km() * 1000, color: ink.ink, weight: 1.4, dashArray: "6 4", fill: false, interactive: false }).addTo(circle);
    L.circleMarker(at, { renderer: canvas.marks, pane: "marks", radius: 6, color: ink.ink, weight: 2, fill: false, interactive: false }).addTo(circle);
  }

  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    base.colours();
    base.rule();
    base.drawBase(shown);
    for (const [shape, look] of shapes) shape.setStyle(look());
    draw();
    show(typed());
  });
  map.on("click", (event) => {
    const at = event.latlng.wrap();
    field.value = at.lat.toFixed(5) + ", " + at.lng.toFixed(5);
    field.removeAttribute("aria-invalid");
    show(at);
  });
  field.addEventListener("input", () => {
    const at = typed();
    show(at);
    if (at && !map.getBounds().contains(at)) map.panTo(at, { animate: false });
  });
  radius.addEventListener("input", () => show(typed()));
  draw();
  show(start);
  const fault = document.querySelector("[aria-invalid=true]");
  if (fault) fault.focus();
})();
