// Charts by date, a panel a device, and the start of the page.
const HELD = "held";
const chart = { measurand: "", group: "", device: "" };
const CHARTED = { "mean": "session mean", "ewma": "EWMA", "cusum-high": "CUSUM upwards", "cusum-low": "CUSUM downwards",
  "sd": "spread", "individuals": "single session", "moving-range": "moving range" };
const chartName = (name) => CHARTED[name] ?? CHARTED[name.replace("-sd", "")]?.concat(" of the spread") ?? name;

// Round steps of an axis; they are no results.
function ticks(low, high, wanted) {
  const raw = (high - low) / wanted || 1;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((k) => k * power).find((k) => k >= raw);
  const out = [];
  for (let k = Math.ceil(low / step); k * step <= high; k++) out.push(k * step);
  return out.map((value) => [value, value.toFixed(Math.max(0, -Math.floor(Math.log10(step) + 1e-9))).replace("-", "−")]);
}

function months(low, high, wanted) {
  const [first, last] = [new Date(low), new Date(high)];
  const all = (last.getUTCFullYear() - first.getUTCFullYear()) * 12 + last.getUTCMonth() - first.getUTCMonth() + 1;
  const step = [1, 2, 3, 6, 12, 24, 60].find((k) => all / k <= wanted) ?? 120;
  const out = [];
  for (let k = 0; k <= all; k++) {
    const at = new Date(Date.UTC(first.getUTCFullYear(), first.getUTCMonth() + k, 1));
    const month = at.getUTCFullYear() * 12 + at.getUTCMonth();
    if (at >= first && at <= last && month % step === 0) out.push([at.getTime(), `${MONTHS[at.getUTCMonth()]} ${at.getUTCFullYear()}`]);
  }
  return out.length ? out : [[low, day(first.toISOString()).replace("\u00a0", " ")]];
}

// What a panel shows: points with all that can be said of them, lines, limits.
function contentOf(device) {
  if (chart.group === HELD) {
    const { of = [], mean_um, bound_um, limit_um, verdict, implant_a, implant_b } = device.held;
    const points = of.map((k, i) => ({ place: k, at: device.sessions[k][1], session: device.sessions[k][0], value: bound_um[i], pair: `${implant_a[i]}–${implant_b[i]}`, from: mean_um[i],
      limit: limit_um[i], verdict: verdict[i], signal: !["conformity verified", ""].includes(verdict[i]), chart: HELD }));
    return { unit: "µm", series: [points], zero: true };
  }
  const charts = data.groups.find(([name]) => name === chart.group)?.[1] ?? [];
  const mine = device.series.filter((one) => one.measurand === chart.measurand && charts.includes(one.chart));
  return { unit: mine[0]?.unit ?? "", series: mine.map((one) => one.of.map((k, i) => ({
    place: k, at: device.sessions[k][1], session: device.sessions[k][0], value: one.value[i], centre: one.centre[i], lower: one.lower[i],
    upper: one.upper[i], signal: one.signal[i], base: one.baseline[i], chart: one.chart }))) };
}

function saidOfPoint(point, unit) {
  const head = `${point.session}, ${day(point.at)}`;
  if (point.chart === HELD) {
    return [head, `bound, ${point.pair}: ${quantity(point.value, unit)}`, `session mean: ${quantity(point.from, unit, true)}`,
      known(point.limit) && `limit: ${plain(point.limit, unit)}`, point.verdict].filter(Boolean).join("\n");
  }
  const limits = [point.lower, point.upper].map((v) => number(v, unit, true)).join(" to ");
  const u = unit === "score" ? "" : unit;
  return [head, `${chartName(point.chart)}: ${quantity(point.value, u, true)}`, `control limits ${limits}, centre ${number(point.centre, unit, true)}`,
    point.signal ? "signal" : "", point.base ? "baseline" : ""].filter(Boolean).join("\n");
}

function panel(device, span, range) {
  const { unit, series } = contentOf(device);
  const points = series.flat().filter((point) => known(point.value));
  const width = Math.max(el("panels").clientWidth, 280);
  const [left, right, top, bottom] = [46, 12, 22, 24];
  const high = width < 600 ? 190 : 210;
  const x = (at) => left + ((Date.parse(at + (at.length > 10 ? "Z" : "T00:00Z")) - span[0]) / (span[1] - span[0] || 1)) * (width - left - right);
  const y = (value) => high - bottom - ((value - range[0]) / (range[1] - range[0] || 1)) * (high - top - bottom);
  const title = h("h3", {}, device.name);
  if (!points.length) return h("div", { class: "panel" }, title, h("p", { class: "note" }, "No such chart for this device."));
  const drawing = [];
  for (const [value, text] of ticks(...range, 4)) {
    drawing.push(s("line", { class: "grid", x1: left, x2: width - right, y1: y(value), y2: y(value) }),
      s("text", { x: left - 6, y: y(value) + 4, "text-anchor": "end", class: "soft" }, text));
  }
  for (const [at, text] of months(...span, Math.floor((width - left) / 90))) {
    const place = left + ((at - span[0]) / (span[1] - span[0] || 1)) * (width - left - right);
    drawing.push(s("line", { class: "axis", x1: place, x2: place, y1: high - bottom, y2: high - bottom + 4 }),
      s("text", { x: Math.min(Math.max(place, left + 20), width - 34), y: high - 6, "text-anchor": "middle", class: "soft" }, text));
  }
  drawing.push(s("line", { class: "axis", x1: left, x2: width - right, y1: high - bottom, y2: high - bottom }),
    s("text", { x: 4, y: 12, class: "soft" }, unit));
  const events = device.events.filter(([at]) => x(at) >= left - 1 && x(at) <= width - right + 1).sort((a, b) => compared(a[0], b[0]));
  events.forEach(([at], i) => drawing.push(
    s("line", { class: "event", x1: x(at), x2: x(at), y1: top, y2: high - bottom }),
    s("circle", { cx: x(at), cy: 12, r: 8.5, fill: "#fff", stroke: "#1d2530" }),
    s("text", { x: x(at), y: 16, "text-anchor": "middle" }, String(i + 1))));
  for (const one of series) {
    const whole = one.filter((point) => known(point.value));
    const broken = (i) => device.gaps.some((gap) => whole[i - 1].place <= gap && gap < whole[i].place);
    const steps = (key, css, always = false) => {
      let path = "";
      whole.forEach((point, i) => {
        if (!known(point[key])) return;
        const gap = (k) => !always && broken(k);
        const begin = i && !gap(i) ? (x(whole[i - 1].at) + x(point.at)) / 2 : x(point.at);
        const end = i < whole.length - 1 && !gap(i + 1) ? (x(whole[i + 1].at) + x(point.at)) / 2 : x(point.at);
        const join = i && !gap(i) && known(whole[i - 1][key]) ? "L" : "M";
        path += `${join}${begin} ${y(point[key])}L${end} ${y(point[key])}`;
      });
      if (path) drawing.push(s("path", { class: css, d: path }));
    };
    steps("lower", "bound");
    steps("upper", "bound");
    steps("centre", "centre");
    steps("limit", "asked", true);
    if (chart.group === HELD) {
      for (const point of whole) {
        drawing.push(s("line", { class: "bar", x1: x(point.at), x2: x(point.at), y1: y(Math.abs(point.from ?? point.value)), y2: y(point.value) }));
      }
    } else drawing.push(s("path", { class: "value", d: whole.map((point, i) => `${i && !broken(i) ? "L" : "M"}${x(point.at)} ${y(point.value)}`).join("") }));
  }
  points.sort((a, b) => compared(a.at, b.at) || compared(a.chart, b.chart));
  const marks = points.map((point, i) => {
    const [px, py] = [x(point.at), y(point.value)];
    const said = saidOfPoint(point, unit);
    return s("g", { class: "point", role: "button", tabindex: i ? -1 : 0, "aria-label": said.replaceAll("\n", "; "),
      onpointerover: (event) => tell(said, event.currentTarget), onpointerout: () => tell(""),
      onfocus: (event) => tell(said, event.currentTarget), onblur: () => tell(""),
      onclick: (event) => openSession(device, point, event.currentTarget) },
    s("circle", { class: "hit", cx: px, cy: py, r: 9 }),
    point.signal ? s("rect", { class: "dot signal", x: px - 4.5, y: py - 4.5, width: 9, height: 9 })
      : s("circle", { class: point.base ? "dot base" : "dot", cx: px, cy: py, r: 3.2, "stroke-width": 1.4 }));
  });
  const picture = s("svg", { viewBox: `0 0 ${width} ${high}`, width, height: high, role: "group",
    "aria-label": `${device.name}, ${named_()}: ${points.length} points; arrow keys move along them`,
    onkeydown: (event) => {
      const i = marks.indexOf(event.target.closest(".point"));
      const next = { ArrowRight: i + 1, ArrowLeft: i - 1, Home: 0, End: marks.length - 1 }[event.key];
      if (event.key === "Enter" || event.key === " ") openSession(device, points[i], marks[i]);
      else if (next === undefined) return;
      else if (marks[next]) {
        marks.forEach((mark) => mark.setAttribute("tabindex", -1));
        marks[next].setAttribute("tabindex", 0);
        marks[next].focus();
      }
      event.preventDefault();
    } }, drawing, marks);
  return h("div", { class: "panel" }, title, picture,
    events.length ? h("ul", { class: "events" }, events.map(([at, kind], i) => h("li", {}, `${i + 1}: ${kind}, ${day(at)}`))) : null,
    signalTable(device), pointTable(device, points, unit));
}

const named_ = () => (chart.group === HELD ? "limit on distances" : `${chart.measurand}, ${chart.group}`);

function openSession(device, point, source) {
  const k = data.scans.findIndex((scan) => scan.session === point.session && scan.at === point.at.slice(0, 10) && !scan.without &&
    scan.device === device.device && scan.model === device.model);
  if (k >= 0) openScan(k, state.pair, source);
}

function folded(label, rows, columns, options) {
  if (!rows.length) return null;
  const box = h("div");
  const whole = h("details", {}, h("summary", {}, label), box);
  whole.addEventListener("toggle", () => {
    if (whole.open && !box.firstChild) sortedTable(box, label, columns, options).show(rows);
  });
  return whole;
}

function signalTable(device) {
  if (chart.group === HELD) return null;
  const unit = device.series.find((one) => one.measurand === chart.measurand && one.unit !== "score")?.unit ?? "";
  const rows = rowsOf(device.signals, (i) => device.signals.measurand[i] === chart.measurand).map((row) => ({
    ...row, date: day(row.at), what: row.kind === "signal" ? chartName(row.chart) : row.kind.replace("-", " "), now: row.stands ? "persists" : "ended" }));
  return folded(`Signals and changes: ${rows.length}`, rows, [["date", "Date"], ["what", "Chart"], ["now", "Last session"], ["size", `Size, ${unit}`, unit, true],
    ["size_low", "from", unit, true], ["size_high", "to", unit, true], ["event", "Close in time"]], { sort: "at" });
}

function pointTable(device, points, unit) {
  const held = chart.group === HELD;
  const rows = points.map((point) => ({ ...point, date: day(point.at), name: `${point.session}`, kind: chartName(point.chart),
    flag: held ? point.verdict : point.signal ? "signal" : point.base ? "baseline" : "" }));
  const columns = held
    ? [["name", "Session"], ["date", "Date"], ["pair", "Worst pair"], ["from", "Session mean, µm", unit, true], ["value", "Bound, µm", unit], ["limit", "Limit, µm", unit], ["flag", "Verdict"]]
    : [["name", "Session"], ["date", "Date"], ...(unique(rows.map((row) => row.kind)).length > 1 ? [["kind", "Chart"]] : []), ["value", "Value", unit, true], ["lower", "Lower limit", unit, true],
      ["centre", "Centre", unit, true], ["upper", "Upper limit", unit, true], ["flag", "Note"]];
  return folded(`Points of this chart: ${rows.length}`, rows, columns, { sort: "at" });
}

function drawCharts() {
  const devices = data.devices.filter((device) => !chart.device || device.name === chart.device);
  const contents = devices.map(contentOf);
  const points = contents.flatMap(({ series }) => series.flat()).filter((point) => known(point.value));
  const values = points.flatMap((point) => [point.value, point.lower, point.upper, point.limit]).filter(known);
  const dates = points.map((point) => Date.parse(point.at + (point.at.length > 10 ? "Z" : "T00:00Z")));
  let [low, high] = values.length ? [Math.min(...values), Math.max(...values)] : [0, 1];
  if (chart.group === HELD) low = 0;
  const air = (high - low) * 0.06 || 1;
  const range = [chart.group === HELD ? 0 : low - air, high + air];
  const [first, last] = [Math.min(...dates), Math.max(...dates)];
  const margin = (last - first) * 0.01 || 864e5;
  el("panels").replaceChildren(...devices.map((device) => panel(device, [first - margin, last + margin], range)));
  el("chart-note").textContent = chart.group === HELD
    ? "Upper end of a bar: bound of the session mean of the worst pair, reference included; lower end: the size of that mean. Line: the limit. Squares: sessions that are not verified. Numbered: events."
    : "Hollow: baseline. Squares: signals. Grey: centre line and, dashed, control limits. Numbered: events." +
      " All devices on one scale. Arrow keys move along the points; Enter opens a scan of the session.";
}

function startCharts() {
  if (!data.devices.length) return;
  reveal("charts");
  const all = data.devices.flatMap((device) => device.series);
  const groups = data.groups.filter(([, charts]) => all.some((one) => charts.includes(one.chart))).map(([name]) => [name, name]);
  if (data.devices.some((device) => device.held.of)) groups.unshift([HELD, "limit, all pairs of a session"]);
  const lead = data.devices.find((device) => device.chart) ?? data.devices[0];
  chart.measurand = lead.measurand;
  chart.group = data.groups.find(([, charts]) => charts.some((name) => name === lead.chart || name.startsWith(`${lead.chart}-`)))?.[0] ?? groups[0]?.[0];
  if (data.devices.length > 6) chart.device = lead.name;
  const set = (key) => (value) => {
    chart[key] = value;
    measured.whole.hidden = chart.group === HELD;
    drawCharts();
  };
  const measured = choice("Measurand", unique(all.map((one) => one.measurand)).map((name) => [name, name]), chart.measurand, set("measurand"));
  el("chart-choices").append(
    choice("Chart", groups, chart.group, set("group")).whole, measured.whole,
    choice("Device", [["", "all"], ...data.devices.map((device) => [device.name, device.name])], chart.device, set("device")).whole);
  drawCharts();
  onWidth(el("panels"), drawCharts);
}

startCharts();
startOverview();
startScan();
startAccuracy();
