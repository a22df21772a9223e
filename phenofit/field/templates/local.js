"use strict";
// Looks up and weighs what the program computed: no heat and no flight is computed here.
const Local = (() => {
  const DAY = 86400000, NEVER = 32767, BEFORE = -32768, DAY_UNIT = 50, HEAT_UNIT = 8, NONE = 65535;
  const FINER = 4; // points between two shifts of the grid
  const CHI95 = 3.841458820694124, TAIL = 4;

  function bytes(text) {
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out.buffer;
  }
  // The numbers are little-endian whatever the device is.
  function numbers(text, signed) {
    const view = new DataView(bytes(text)), out = new Array(view.byteLength / 2);
    for (let i = 0; i < out.length; i++) out[i] = signed ? view.getInt16(2 * i, true) : view.getUint16(2 * i, true);
    return out;
  }
  const days = text => numbers(text, true).map(v => v === NEVER ? Infinity : v === BEFORE ? -Infinity : v / DAY_UNIT);
  const heats = text => numbers(text, false).map(v => v === NONE ? NaN : v / HEAT_UNIT);

  function interpolate(x, xs, ys) {
    if (x <= xs[0]) return ys[0];
    const last = xs.length - 1;
    if (x >= xs[last]) return ys[last];
    let low = 0, high = last;
    while (high - low > 1) { const mid = (low + high) >> 1; if (xs[mid] <= x) low = mid; else high = mid; }
    const part = (x - xs[low]) / (xs[high] - xs[low]);
    return part === 0 ? ys[low] : ys[low] + part * (ys[high] - ys[low]);
  }
  function heatAt(heat, day) {
    if (day < 0 || day > heat.length - 1) return NaN;
    const low = Math.floor(day), part = day - low;
    return part === 0 ? heat[low] : heat[low] + part * (heat[low + 1] - heat[low]);
  }
  // Lanczos, g = 7, n = 9.
  const LANCZOS = [0.99999999999980993, 676.5203681218851, -1259.1392167224028, 771.32342877765313, -176.61502916214059,
    12.507343278686905, -0.13857109526572012, 9.9843695780195716e-6, 1.5056327351493116e-7];
  function lgamma(x) {
    if (x < 0.5) return Math.log(Math.PI / Math.sin(Math.PI * x)) - lgamma(1 - x);
    x -= 1;
    let sum = LANCZOS[0];
    for (let i = 1; i < 9; i++) sum += LANCZOS[i] / (x + i);
    const t = x + 7.5;
    return 0.5 * Math.log(2 * Math.PI) + (x + 0.5) * Math.log(t) - t + Math.log(sum);
  }

  function table(raw) {
    if (raw.ready) return raw.ready;
    const [low, high, count] = raw.shift, values = numbers(raw.flown, false), step = (high - low) / (count - 1);
    const shift = Array.from({length: count}, (_, k) => low + k * step);
    const fine = Array.from({length: (count - 1) * FINER + 1}, (_, k) => low + k * step / FINER);
    raw.ready = {shift, fine, values, heat: raw.heat, requirements: raw.requirements};
    return raw.ready;
  }
  // Share flown at a heat sum, at each shift of the fine grid.
  function flown(tab, heat) {
    const [low, high, count] = tab.heat, n = tab.shift.length;
    const at = Math.min(Math.max((heat - low) / (high - low) * (count - 1), 0), count - 1);
    const row = Math.min(Math.floor(at), count - 2), part = at - row, out = new Array(tab.fine.length);
    const inside = (k, last) => Math.min(Math.max(k, 0), last), shown = new Array(n);
    const rows = [-1, 0, 1, 2].map(k => inside(row + k, count - 1) * n);
    for (let k = 0; k < n; k++) shown[k] = cubic(part, ...rows.map(begin => tab.values[begin + k])) / 65535;
    for (let k = 0; k < n - 1; k++) {
      const near = [-1, 0, 1, 2].map(j => shown[inside(k + j, n - 1)]);
      for (let j = 0; j < FINER; j++) out[k * FINER + j] = cubic(j / FINER, ...near);
    }
    out[(n - 1) * FINER] = shown[n - 1];
    return out;
  }
  // Between b and c, with the slopes of their neighbours (Catmull-Rom).
  const cubic = (t, a, b, c, d) => b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)));

  function season(species, place, year, checks) {
    const tab = table(species.tables[place.table]), heat = place.heatOf[year];
    const sorted = checks.slice().sort((a, b) => a.day - b.day);
    let before = 0;
    const rows = sorted.map(check => {
      const row = {start: before, end: check.day, count: check.count, left: heatAt(heat, before), right: heatAt(heat, check.day)};
      before = check.day;
      return row;
    });
    const seen = rows.reduce((sum, row) => sum + row.count, 0);
    if (rows.some(row => !Number.isFinite(row.right))) return {year, rows, seen, known: false};
    const found = {year, rows, seen, known: true, heat, tab, logLike: new Array(tab.fine.length).fill(0)};
    if (seen === 0 || rows.length < 2) return found;
    const length = rows.reduce((sum, row) => sum + row.end - row.start, 0), phi = species.concentration;
    const edges = rows.map(row => [flown(tab, row.left), flown(tab, row.right)]);
    for (let k = 0; k < tab.fine.length; k++) {
      const share = rows.map((row, i) => Math.max(
        (1 - species.stray) * Math.max(edges[i][1][k] - edges[i][0][k], 0) + species.stray * (row.end - row.start) / length, 1e-12));
      const sum = share.reduce((a, b) => a + b, 0);
      found.logLike[k] = rows.reduce((total, row, i) => {
        const p = share[i] / sum;
        return total + (phi === null ? row.count * Math.log(p) : lgamma(phi * p + row.count) - lgamma(phi * p));
      }, 0);
    }
    return found;
  }
  function averaged(logLike, grid, sd) {
    const top = Math.max(...logLike), like = logLike.map(v => Math.exp(v - top));
    return grid.map(at => {
      let sum = 0, weight = 0;
      for (let k = 0; k < grid.length; k++) {
        const w = Math.exp(-0.5 * ((at - grid[k]) / sd) ** 2);
        weight += w; sum += w * like[k];
      }
      return top + Math.log(Math.max(sum / weight, 1e-300));
    });
  }
  function posterior(species, grid, seasons) {
    const terms = species.cases.map(([weight, place, own]) => {
      const term = grid.map(g => Math.log(weight) - 0.5 * (TAIL + 1) * Math.log1p((g / place) ** 2 / TAIL) - Math.log(place));
      for (const one of seasons) averaged(one.logLike, grid, own).forEach((v, k) => { term[k] += v; });
      return term;
    });
    const sum = grid.map((_, k) => {
      const top = Math.max(...terms.map(t => t[k]));
      return top + Math.log(terms.reduce((total, t) => total + Math.exp(t[k] - top), 0));
    });
    const top = Math.max(...sum);
    return sum.map(v => v - top);
  }
  function quantiles(logDensity, grid, shares) {
    const top = Math.max(...logDensity), middle = [];
    let total = 0;
    for (const v of logDensity) { const w = Math.exp(v - top); middle.push(total + 0.5 * w); total += w; }
    return shares.map(q => interpolate(q, middle.map(v => v / total), grid));
  }
  function meanAndSd(logDensity, grid) {
    const top = Math.max(...logDensity), w = logDensity.map(v => Math.exp(v - top)), total = w.reduce((a, b) => a + b, 0);
    const mean = w.reduce((sum, v, k) => sum + v * grid[k], 0) / total;
    return [mean, Math.sqrt(w.reduce((sum, v, k) => sum + v * (grid[k] - mean) ** 2, 0) / total)];
  }
  // Days by which an amount of heat comes later where it is larger by a shift.
  function daysOf(heat, amount, shift) {
    const known = heat.filter(Number.isFinite), at = known.map((_, i) => i), last = known.length - 1;
    const perDay = Math.max((known[last] - known[0]) / Math.max(last, 1), 1e-6);
    const day = level => interpolate(level, known, at) + (level - Math.min(Math.max(level, known[0]), known[last])) / perDay;
    return day(amount + shift) - day(amount);
  }
  function half(one) {
    if (one.seen === 0 || one.rows.length < 2) return null;
    let passed = 0;
    for (const row of one.rows) {
      if (passed + row.count >= 0.5 * one.seen && row.count > 0) {
        const part = (0.5 * one.seen - passed) / row.count;
        return {day: row.start + part * (row.end - row.start), from: row.start, to: row.end};
      }
      passed += row.count;
    }
    return null;
  }
  // Compare the checks of one place, by year, with the forecast; as `phenofit local` does.
  function check(species, place, checks, flight = 0) {
    const years = Object.keys(checks).map(Number).sort((a, b) => a - b);
    const all = years.map(year => season(species, place, year, checks[year]));
    const used = all.filter(one => one.known && (place.seen[one.year] || one.year === species.year));
    const result = {seasons: [], skipped: all.filter(one => !used.includes(one)).map(one => one.year), correction: null};
    if (!used.length) return result;
    const grid = used[0].tab.fine, amount = used[0].tab.requirements[flight];
    const mean2 = pick => Math.sqrt(species.cases.reduce((sum, one) => sum + one[0] * one[pick] ** 2, 0));
    const placeSd = mean2(1), both = Math.hypot(placeSd, mean2(2));
    for (const one of used) {
      const seen = half(one), dates = place.seen[one.year] ? place.seen[one.year][flight] : null;
      const row = {year: one.year, moths: one.seen, checks: one.rows.length, half: seen, dates, inside: null, error: null};
      if (seen) {
        const whole = averaged(one.logLike, grid, both);
        row.inside = 2 * (Math.max(...whole) - whole[(grid.length - 1) / 2]) <= CHI95;
        if (dates) row.error = dates[1] - seen.day;
      }
      result.seasons.push(row);
    }
    const density = posterior(species, grid, used), [mean, sd] = meanAndSd(density, grid);
    const informed = used.filter(one => one.seen > 0).length;
    const clear = quantiles(density, grid, [0.1, 0.9]), ends = quantiles(density, grid, [0.025, 0.975]);
    const inDays = shift => used.reduce((sum, one) => sum + daysOf(one.heat, amount, shift), 0) / used.length;
    Object.assign(result, {
      informed, shift: mean, sd, days: [inDays(mean), inDays(ends[0]), inDays(ends[1])],
      supported: informed >= 2 && (clear[0] > 0 || clear[1] < 0),
      outside: informed >= 2 && Math.abs(mean) > 3 * placeSd ? inDays(placeSd) : null,
    });
    if (result.supported) result.correction = [mean, sd];
    return result;
  }
  // Dates of an event where the shift of the place is normal with a mean and an SD: equally likely days in order.
  function corrected(species, place, flight, event, [mean, sd]) {
    const q = species.quantiles.length, s = species.shifts.length, e = species.events[0].length;
    const begin = ((flight * e + event) * s) * q, pool = [];
    const rows = Array.from({length: s}, (_, k) => place.shiftedOf.slice(begin + k * q, begin + (k + 1) * q));
    const levels = Array.from({length: 100}, (_, i) => (i + 0.5) / 100);
    for (let n = 0; n < 41; n++) {
      const shift = mean + sd * normalQuantile((n + 0.5) / 41);
      const at = Math.min(Math.max((shift - species.shifts[0]) / (species.shifts[1] - species.shifts[0]), 0), s - 1);
      const low = Math.min(Math.floor(at), s - 2), part = at - low;
      const row = rows[low].map((v, i) => mix(v, rows[low + 1][i], part));
      for (const level of levels) pool.push(byLevel(level, species.quantiles, row));
    }
    pool.sort((a, b) => a - b);
    return {q: share => at(pool, share), pool};
  }
  const mix = (a, b, part) => part === 0 ? a : part === 1 ? b : Number.isFinite(a) && Number.isFinite(b) ? a + part * (b - a) : part < 0.5 ? a : b;
  function byLevel(level, levels, row) {
    if (level <= levels[0]) return row[0];
    let k = 1;
    while (k < levels.length - 1 && levels[k] < level) k++;
    return mix(row[k - 1], row[k], (Math.min(level, levels[k]) - levels[k - 1]) / (levels[k] - levels[k - 1]));
  }
  function usual(species, place, flight, event) {
    const q = species.quantiles.length, e = species.events[0].length, begin = (flight * e + event) * q;
    const row = place.datesOf.slice(begin, begin + q);
    return {q: share => byLevel(share, species.quantiles, row), pool: Array.from({length: 1000}, (_, i) => byLevel((i + 0.5) / 1000, species.quantiles, row))};
  }
  const at = (pool, share) => pool[Math.min(Math.max(Math.ceil(share * pool.length - 1e-9) - 1, 0), pool.length - 1)];
  const chanceBy = (pool, day) => pool.filter(v => v <= day).length / pool.length;
  // Acklam's rational approximation, relative error below 1.2e-9.
  function normalQuantile(p) {
    const a = [-39.69683028665376, 220.9460984245205, -275.9285104469687, 138.357751867269, -30.66479806614716, 2.506628277459239];
    const b = [-54.47609879822406, 161.5858368580409, -155.6989798598866, 66.80131188771972, -13.28068155288572];
    const c = [-0.007784894002430293, -0.3223964580411365, -2.400758277161838, -2.549732539343734, 4.374664141464968, 2.938163982698783];
    const d = [0.007784695709041462, 0.3224671290700398, 2.445134137142996, 3.754408661907416];
    if (p < 0.02425 || p > 0.97575) {
      const tail = Math.sqrt(-2 * Math.log(Math.min(p, 1 - p)));
      const v = (((((c[0] * tail + c[1]) * tail + c[2]) * tail + c[3]) * tail + c[4]) * tail + c[5]) /
        ((((d[0] * tail + d[1]) * tail + d[2]) * tail + d[3]) * tail + 1);
      return p < 0.5 ? v : -v;
    }
    const r = p - 0.5, t = r * r;
    return (((((a[0] * t + a[1]) * t + a[2]) * t + a[3]) * t + a[4]) * t + a[5]) * r /
      (((((b[0] * t + b[1]) * t + b[2]) * t + b[3]) * t + b[4]) * t + 1);
  }
  // Unpack the numbers of a place when it is first looked at.
  function open(place) {
    if (place.heatOf) return place;
    place.heatOf = Object.fromEntries(Object.entries(place.heat).map(([year, text]) => [year, heats(text)]));
    place.datesOf = days(place.dates);
    place.shiftedOf = days(place.shifted);
    place.aheadOf = heats(place.ahead);
    return place;
  }
  return {open, check, corrected, usual, chanceBy, DAY};
})();
