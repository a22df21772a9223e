(() => {
  const all = JSON.parse(document.getElementById("data").textContent).species;
  const $ = id => document.getElementById(id), noon = 0.5;
  const MONTHS = ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"];
  const WEEKS = 20, FAR = 50; // shown; and km from which on a place is too far
  const state = {species: 0, place: 0, unit: "C"};

  function element(name, text, attributes = {}) {
    const made = document.createElement(name);
    if (text !== undefined) made.textContent = text;
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    return made;
  }
  function svg(name, attributes, text) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    return made;
  }
  const species = () => all[state.species];
  const place = () => Local.open(species().places[state.place]);
  const utc = text => Date.parse(text + "T00:00:00Z");
  const first = (year = species().year) => utc(species().firsts[year]);
  const dayOf = (text, year) => (utc(text) - first(year)) / Local.DAY;
  function date(day, year = species().year) {
    if (!Number.isFinite(day)) return day > 0 ? "not this season" : "before the season";
    const when = new Date(first(year) + day * Local.DAY);
    return `${when.getUTCDate()} ${MONTHS[when.getUTCMonth()]}`;
  }
  const short = (day, year) => date(day, year).replace(/([A-Z][a-z]{2})[a-z]*/, "$1");
  const iso = day => new Date(first() + day * Local.DAY).toISOString().slice(0, 10);
  const percent = share => `${Math.round(100 * share)} %`;
  const number = (value, digits = 1) => value.toFixed(digits);
  const heatIn = value => state.unit === "F" ? 1.8 * value : value;
  const unit = () => `°${state.unit}-days`;
  function later(days) {
    if (Math.abs(days) < 0.5) return "0 days";
    return `${Math.abs(days).toFixed(0)} ${Math.round(Math.abs(days)) === 1 ? "day" : "days"} ${days > 0 ? "later" : "earlier"}`;
  }

  // What was typed is kept under the place and the season, on this device only; a browser may refuse to keep it.
  const key = () => `phenofit ${species().species} ${place().site} ${species().season}`;
  const memory = {};
  function typed() {
    try { return JSON.parse(localStorage.getItem(key())) || memory[key()] || []; } catch { return memory[key()] || []; }
  }
  function keep(rows) {
    memory[key()] = rows;
    try { localStorage.setItem(key(), JSON.stringify(rows)); } catch { /* private windows keep nothing */ }
  }
  function yearOf(text) {
    const found = Object.keys(place().heat).map(Number).filter(year => utc(text) >= first(year) && utc(text) <= utc(species().lasts[year]));
    return found.length ? found[0] : null;
  }
  function byYear(rows) {
    const found = {};
    for (const row of rows) (found[yearOf(row.date)] ||= []).push({day: dayOf(row.date, yearOf(row.date)) + noon, count: row.count});
    return found;
  }

  function pools(correction) {
    const s = species(), p = place();
    return s.events.map((names, flight) => names.map((name, event) => ({
      name, flight, event, ...(correction ? Local.corrected(s, p, flight, event, correction) : Local.usual(s, p, flight, event)),
    }))).flat();
  }
  function table(caption, heads, rows) {
    const made = element("table"), head = element("tr");
    made.append(element("caption", caption));
    heads.forEach(text => head.append(element("th", text, {scope: "col"})));
    const body = element("tbody"), thead = element("thead");
    thead.append(head);
    for (const row of rows) {
      const line = element("tr");
      row.forEach((cell, k) => line.append(k === 0 ? element("th", cell, {scope: "row"}) : element("td", cell, {class: "n"})));
      body.append(line);
    }
    made.append(thead, body);
    return made;
  }
  function showDates(events, correction) {
    const issued = dayOf(species().issued, species().year), q = share => one => one.q(share);
    const span = (one, low, high) => `${short(q(low)(one))} to ${short(q(high)(one))}`;
    $("dates").replaceChildren(table(
      correction ? "Corrected by your scouting" : "By the trap network",
      ["event", "expected", "chance 50 %", "chance 95 %", "has passed"],
      events.map(one => [one.name, short(q(0.5)(one)), span(one, 0.25, 0.75), span(one, 0.025, 0.975), percent(Local.chanceBy(one.pool, issued))])));
    const chance = (one, day) => Local.chanceBy(one.pool, day + 7) - Local.chanceBy(one.pool, day);
    const every = Array.from({length: WEEKS}, (_, week) => issued + 7 * week), likely = every.map(day => events.some(one => chance(one, day) >= 0.005));
    $("stages").textContent = species().stages.length ? `Stages after the flight rest on these lags: ${species().stages.join("; ")}. Confirm them in the field.` : "";
    const weeks = every.slice(Math.max(likely.indexOf(true), 0), likely.lastIndexOf(true) + 1);
    $("weeks").replaceChildren(table(
      "Chance that the event falls in the week", ["week from", ...events.map(one => one.name)],
      weeks.map(day => [short(day), ...events.map(one => percent(chance(one, day)))])));
    if (!weeks.length) $("weeks").replaceChildren(element("p", "No event is expected in the weeks to come."));
  }
  function showErrors() {
    const rows = place().errors, several = species().flights > 1;
    $("errors").textContent = rows.length
      ? "Past forecasts at this place: " + rows.map(row =>
        `${several ? `flight ${row.flight}: ` : ""}half of the flight was ${number(row.mae)} days off on average with the weather known` +
        (Math.abs(row.bias) < 0.5 ? "" : ` (the forecasts came ${number(Math.abs(row.bias))} days ${row.bias > 0 ? "late" : "early"} on average)`) +
        (row.ahead === null ? "" : `, ${number(row.ahead)} days when forecast 28 days ahead`) +
        ` (${row.seasons} ${row.seasons === 1 ? "season" : "seasons"})`).join("; ") + "."
      : "No past forecast was tested at this place.";
  }
  function showChart(events) {
    const p = place(), n = p.days, rows = [0, 1, 2].map(k => p.aheadOf.slice(k * n, (k + 1) * n));
    const now = p.heatOf[species().year] || [], known = now.filter(Number.isFinite).length;
    const medians = events.map(one => one.q(0.5)).filter(Number.isFinite);
    const low = Math.max(0, Math.min(known - 1, ...medians) - 40), high = Math.min(n - 1, Math.max(known, ...medians) + 40);
    const top = 1.05 * Math.max(rows[2][Math.round(high)], 1), W = 420, H = 280, L = 46, R = 10, T = 10, B = 44;
    const x = day => L + (day - low) / (high - low) * (W - L - R), y = heat => H - B - heat / top * (H - T - B);
    const days = Array.from({length: Math.floor(high - low) + 1}, (_, k) => Math.ceil(low) + k).filter(day => day <= high);
    const line = (values, list) => list.map((day, k) => `${k ? "L" : "M"}${x(day).toFixed(1)} ${y(values[day]).toFixed(1)}`).join("");
    const ahead = days.filter(day => day >= known - 1), seen = days.filter(day => day < known);
    const drawn = svg("svg", {viewBox: `0 0 ${W} ${H}`, role: "img", "aria-labelledby": "chart-words"});
    if (ahead.length > 1) {
      drawn.append(svg("path", {class: "band", d: line(rows[2], ahead) + line(rows[0], ahead.slice().reverse()).replace("M", "L") + "Z"}));
      drawn.append(svg("path", {class: "middle", d: line(rows[1], ahead)}));
    }
    if (seen.length > 1) drawn.append(svg("path", {class: "now", d: line(now, seen)}));
    drawn.append(svg("path", {class: "axis", d: `M${L} ${T}V${H - B}H${W - R}`}));
    const step = [50, 100, 200, 250, 500, 1000].find(size => heatIn(top) / size <= 6) || 2000;
    for (let value = 0; value <= heatIn(top); value += step) drawn.append(svg("text", {x: L - 6, y: y(value * top / heatIn(top)) + 4, "text-anchor": "end"}, String(value)));
    for (let k = 0; k < 4; k++) {
      const day = low + (high - low) * (k + 0.3) / 4;
      drawn.append(svg("text", {x: x(day), y: H - B + 18, "text-anchor": "middle"}, short(Math.round(day))));
    }
    drawn.append(svg("text", {x: L, y: H - 4}, `heat [${unit()}] by date`));
    for (const one of events) {
      const [from, middle, to] = [0.025, 0.5, 0.975].map(one.q);
      if (!Number.isFinite(middle) || middle > n - 1) continue;
      const level = rows[1][Math.round(middle)];
      drawn.append(svg("line", {class: "date", x1: x(Math.max(from, low)), x2: x(Math.min(Number.isFinite(to) ? to : high, high)), y1: y(level), y2: y(level)}));
      drawn.append(svg("circle", {class: "date", cx: x(middle), cy: y(level), r: 5}));
    }
    $("chart").replaceChildren(drawn);
    $("chart-words").textContent = `Heat at ${p.site}: ${number(heatIn(now[known - 1] || 0), 0)} ${unit()} up to ${date(Math.max(known - 2, 0))}; then 95 % of the ` +
      `seasons that rest on ${p.past} past ones. Blue: ` + events.map(one => `${one.name} ${date(one.q(0.5))}`).join(", ") + ".";
  }
  function checkSentence(row) {
    const label = species().labels[row.year], dates = row.dates;
    const forecast = dates ? `${date(dates[1], row.year)} (95 % between ${date(dates[0], row.year)} and ${date(dates[2], row.year)})` : null;
    const tail = forecast ? ` Forecast: ${forecast}.` : "";
    if (row.moths === 0) return `${label}: no moth was seen, so the records say nothing about timing.${tail}`;
    if (!row.half) return `${label}: a single record does not date the flight.${tail}`;
    const moths = row.moths === 1 ? "1 moth" : `${row.moths} moths`;
    const seen = `${label}: half of ${moths} was caught by ${date(row.half.day, row.year)} (between ${date(row.half.from, row.year)} and ${date(row.half.to, row.year)})`;
    const verdict = row.inside ? "The records agree with the forecast." : "The records do not agree with the forecast.";
    if (!dates) return `${seen} of the moths so far. ${verdict}`;
    const apart = -row.error, words = Math.abs(apart) < 0.5 ? "on the day of" : `${later(apart)} than`;
    return `${seen}, ${words} the forecast, ${forecast}. ${verdict}`;
  }
  function verdict(found) {
    const said = found.skipped.map(year => `${species().labels[year] || "A season"}: the weather of this page does not reach your last check; left out.`);
    said.push(...found.seasons.map(checkSentence));
    if (!found.seasons.length) return said;
    if (found.informed === 0) return [...said, "No season has moths: the records say nothing about timing at this place."];
    const [middle, low, high] = found.days, counted = found.informed === 1 ? "1 season with moths" : `${found.informed} seasons with moths`;
    const way = Math.abs(middle) < 0.5 ? "about as expected" : `about ${later(middle)} than expected`;
    said.push(`All together (${counted}) the flight at this place comes ${way} (95 %: ${later(low)} to ${later(high)}).`);
    if (found.supported) said.push(`The records support a correction of ${number(Math.abs(middle))} days ${middle > 0 ? "later" : "earlier"}, shrunk towards zero because records are few. The dates above are corrected.`);
    else said.push(found.informed < 2 ? "A local correction needs two seasons with moths at least; none is made." : "That is too uncertain for a local correction; none is made.");
    if (found.outside !== null) said.push(`This is outside what this network has seen (its places differ by ${number(found.outside)} days, SD): check species, station and biofix.`);
    return said;
  }
  function showChecks(rows) {
    if (!rows.length) { $("checks").replaceChildren(); $("verdict").replaceChildren(); return null; }
    const made = table("Your checks", ["date", "moths", ""], rows.map(row => [row.date, String(row.count), ""]));
    made.querySelectorAll("tbody tr").forEach((line, k) => {
      const button = element("button", "Remove", {type: "button", "aria-label": `Remove the check of ${rows[k].date}`, class: "noprint"});
      button.addEventListener("click", () => { keep(rows.filter((_, j) => j !== k)); show(); });
      line.lastChild.append(button);
    });
    $("checks").replaceChildren(made);
    const found = Local.check(species(), place(), byYear(rows));
    $("verdict").replaceChildren(...verdict(found).map(text => element("p", text)));
    return found.correction;
  }
  function showMap() {
    const sites = species().places.map((one, index) => ({one, index})).filter(({one}) => one.at[0] !== null);
    if (sites.length < 2) { $("map").replaceChildren(); return; }
    const lat = sites.map(({one}) => one.at[0]), lon = sites.map(({one}) => one.at[1]), W = 420, H = 260, pad = 16;
    const squeeze = Math.cos((Math.max(...lat) + Math.min(...lat)) / 2 * Math.PI / 180);
    const wide = Math.max((Math.max(...lon) - Math.min(...lon)) * squeeze, 1e-6), tall = Math.max(Math.max(...lat) - Math.min(...lat), 1e-6);
    const scale = Math.min((W - 2 * pad) / wide, (H - 2 * pad) / tall);
    const drawn = svg("svg", {viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": "Map of the places, north up; the chosen one is marked. Choose a place in the list above, or touch it here."});
    for (const {one, index} of sites) {
      const dot = svg("circle", {class: index === state.place ? "dot chosen" : "dot", r: index === state.place ? 9 : 6,
        cx: W / 2 + (one.at[1] - (Math.max(...lon) + Math.min(...lon)) / 2) * squeeze * scale, cy: H / 2 - (one.at[0] - (Math.max(...lat) + Math.min(...lat)) / 2) * scale});
      dot.append(svg("title", {}, one.site));
      dot.addEventListener("click", () => choose(index));
      drawn.append(dot);
    }
    $("map").replaceChildren(drawn);
  }
  function show() {
    const p = place(), correction = showChecks(typed()), events = pools(correction);
    const far = p.distance === null ? "" : `, ${number(p.distance, 0)} km away`;
    $("where").textContent = `${species().species}: ${p.site}, season ${species().season}. Weather of station ${p.station}${far}, known to ${date(dayOf(p.known, species().year))}; the weather to come rests on ${p.past} past seasons.`;
    showDates(events, correction);
    showErrors();
    showChart(events.filter(one => one.event < species().flown));
    showMap();
    $("terms").textContent = `Heat sums: ${species().terms}. ${species().problems.join(" ")}`;
    return events;
  }
  function choose(index) {
    state.place = index;
    $("place").value = String(index);
    show();
  }
  function fillPlaces() {
    $("place").replaceChildren(...species().places.map((one, k) => element("option", one.site, {value: String(k)})));
    state.place = 0;
  }
  function find() {
    const parts = $("near").value.split(",").map(text => text.trim()), sides = ["NS", "EW"];
    const values = parts.map((text, k) => {
      const side = text.slice(-1).toUpperCase(), sign = k < 2 && sides[k].includes(side) && side ? (side === "S" || side === "W" ? -1 : 1) : null;
      return sign === null ? Number(text || NaN) : sign * Number(text.slice(0, -1) || NaN);
    });
    if (values.length !== 2 || !values.every(Number.isFinite) || Math.abs(values[0]) > 90 || Math.abs(values[1]) > 180) {
      $("found").textContent = "Write latitude and longitude in degrees, such as 48.12, 16.30 or 33.1S, 151.2E.";
      return;
    }
    const radians = Math.PI / 180, [lat, lon] = values;
    const apart = species().places.map(one => one.at[0] === null ? Infinity : 12742 * Math.asin(Math.sqrt(
      Math.sin((one.at[0] - lat) * radians / 2) ** 2 + Math.cos(lat * radians) * Math.cos(one.at[0] * radians) * Math.sin((one.at[1] - lon) * radians / 2) ** 2)));
    const index = apart.indexOf(Math.min(...apart));
    choose(index);
    const far = apart[index] > FAR ? " That is too far: the dates are those of the place named, not of yours." : "";
    $("found").textContent = `The nearest place is ${species().places[index].site}, ${apart[index].toFixed(0)} km away.${far}`;
  }
  function calendar() {
    const lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//phenofit//field page//EN"], fold = text => text.replace(/[\\;,]/g, "\\$&").replace(/\n/g, "\\n");
    for (const one of show()) {
      const [from, middle, to] = [0.025, 0.5, 0.975].map(one.q);
      if (!Number.isFinite(middle)) continue;
      const day = Math.floor(middle);
      lines.push("BEGIN:VEVENT", `UID:${encodeURIComponent(`${species().species} ${place().site} ${species().season} ${one.name}`)}@phenofit`,
        `DTSTAMP:${species().issued.replace(/-/g, "")}T000000Z`, `DTSTART;VALUE=DATE:${iso(day).replace(/-/g, "")}`, `DTEND;VALUE=DATE:${iso(day + 1).replace(/-/g, "")}`,
        `SUMMARY:${fold(`${species().species}: ${one.name}, ${place().site}`)}`,
        `DESCRIPTION:${fold(`95 % between ${date(from)} and ${date(to)}. ${[...document.querySelectorAll(".caution li")].map(item => item.textContent).join(" ")}`)}`, "END:VEVENT");
    }
    lines.push("END:VCALENDAR");
    const link = element("a", "", {href: URL.createObjectURL(new Blob([lines.join("\r\n") + "\r\n"], {type: "text/calendar"})), download: "flight-dates.ics"});
    link.click();
    return lines;
  }
  function add(event) {
    event.preventDefault();
    const day = $("day").value, count = Number($("count").value), rows = typed();
    const seasons = Object.keys(place().heat).map(year => species().labels[year]).join(", ");
    const wrong = !day ? "Choose a date." : yearOf(day) === null ? `${day} lies in no season of this page (${seasons}).`
      : rows.some(row => row.date === day) ? `${day} is a duplicate: enter each check once.`
      : !Number.isInteger(count) || count < 0 || $("count").value === "" ? "Enter a whole number of moths, 0 for none." : "";
    $("refused").textContent = wrong;
    if (wrong) return;
    keep([...rows, {date: day, count}].sort((a, b) => a.date < b.date ? -1 : 1));
    $("count").value = "";
    show();
  }

  $("species").replaceChildren(...all.map((one, k) => element("option", one.species || "moth", {value: String(k)})));
  if (all.length < 2) $("species-field").hidden = true;
  $("species").addEventListener("change", () => { state.species = Number($("species").value); fillPlaces(); show(); });
  $("place").addEventListener("change", () => choose(Number($("place").value)));
  $("unit").addEventListener("change", () => { state.unit = $("unit").value; show(); });
  $("find").addEventListener("click", find);
  $("near").addEventListener("keydown", event => { if (event.key === "Enter") { event.preventDefault(); find(); } });
  $("print").addEventListener("click", () => window.print());
  $("calendar").addEventListener("click", calendar);
  $("scouting").addEventListener("submit", add);
  const old = Math.floor((Date.now() - utc(all[0].issued)) / Local.DAY);
  $("age").textContent = `Issued ${all[0].issued}${old > 7 ? `, ${old} days ago: the weather since then is not in it. Ask for a new page` : ""}.`;
  fillPlaces();
  show();
  window.fieldPage = {all, state, choose, show, check: rows => Local.check(species(), place(), byYear(rows)), pools, calendar};
})();
