// All scans: a map of scan x pair for every condition and model, and the accuracy of pairs.
// Colours: negative blue, zero neutral, positive brown; far from zero the sign is written, too.
const STOPS = [[31, 79, 127], [143, 180, 211], [244, 242, 243], [224, 180, 138], [143, 74, 14]];
const map = { reach: "largest", condition: "", model: "" };

function colour(share) {
  const at = (Math.min(Math.max(share, -1), 1) + 1) * 2;
  const k = Math.min(Math.floor(at), 3);
  return STOPS[k].map((low, i) => Math.round(low + (STOPS[k + 1][i] - low) * (at - k)));
}
// Black or white, whichever stands out more (WCAG 2.2, relative luminance).
function inkOn(rgb) {
  const [r, g, b] = rgb.map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b > 0.179 ? "#000" : "#fff";
}
const css = (rgb) => `rgb(${rgb.join(",")})`;

// Results of every scan by pair, found once.
const results = data.scans.map(() => new Map());
data.pairs.scan?.forEach((scan, i) => {
  const row = Object.fromEntries(Object.keys(data.pairs).map((name) => [name, data.pairs[name][i]]));
  results[scan].set(pairName(row), row);
});
const measurands = Object.keys(WHAT).filter((name) => name in data.pairs);

function largest(name) {
  let found = null;
  for (const value of data.pairs[name] ?? []) {
    if (known(value) && (found === null || Math.abs(value) > Math.abs(found))) found = value;
  }
  return found;
}

function reach() {
  const limit = data.limits[state.measurand];
  return (map.reach === "limit" && known(limit) ? limit : Math.abs(largest(state.measurand) ?? 1)) || 1;
}

function saidOf(k, pair) {
  const scan = data.scans[k];
  const row = results[k].get(pair);
  const head = `${scan.name}${scan.at ? `, ${day(scan.at)}` : ""}`;
  if (!row) return `${head}\n${scan.without || `${pair}: no result`}`;
  const lines = measurands.map((name) => {
    const limit = data.limits[name];
    const beyond = known(limit) && known(row[name]) && Math.abs(row[name]) > limit;
    return `${WHAT[name]}: ${data.word} ${quantity(row[name], UNITS[name], true)}${beyond ? ", beyond the limit" : ""}`;
  });
  const where = `${pair}, span ${quantity(row.span_mm, "mm")}${known(row.path_mm) ? `, arch length ${quantity(row.path_mm, "mm")}` : ""}`;
  return [head, where, ...lines].join("\n");
}

function drawCell(node, row, end) {
  const name = state.measurand;
  const value = row?.[name];
  const limit = data.limits[name];
  const text = known(value) ? number(value, UNITS[name], true) : "–";
  const inside = document.createElement("span");
  inside.className = "value";
  inside.textContent = text;
  node.append(inside);
  if (!known(value)) {
    node.classList.add("none");
    return;
  }
  const share = value / end;
  const rgb = colour(share);
  node.style.cssText = `background:${css(rgb)};color:${inkOn(rgb)}`;
  node.dataset.sign = value < 0 ? "−" : "+";
  node.classList.toggle("strong", Math.abs(share) >= 0.5);
  if (known(limit) && Math.abs(value) > limit) {
    node.classList.add("beyond");
    inside.append(h("span", { class: "read" }, " beyond the limit"));
  }
}

// One map; scans are its columns where they are many and fit, else its rows.
const ruler = document.createElement("canvas").getContext("2d");
function makeBlock(scans, width, alone) {
  const pairs = new Map();
  for (const k of scans) for (const [name, row] of results[k]) if (!pairs.has(name)) pairs.set(name, row);
  const names = [...pairs.keys()].sort((a, b) => pairs.get(a).path_mm - pairs.get(b).path_mm || compared(a, b));
  if (!names.length) return null;
  const end = reach();
  const numbers = el("maps").classList.contains("numbers");
  const step = numbers ? 42 : alone ? 34 : 24;
  const across = !numbers && scans.length > 24 && width > 700 && scans.length * 10 + 80 <= width;
  ruler.font = `12px ${getComputedStyle(document.body).fontFamily}`;
  const longest = Math.max(...(across ? names : scans.map((k) => data.scans[k].name)).map((name) => ruler.measureText(name).width));
  const label = Math.min(Math.max(longest + 10, 48), width * (width < 500 ? 0.36 : 0.45));
  const [lines, fields] = across ? [names, scans] : [scans, names];
  const room = (width - label - 8) / fields.length;
  const wide = Math.max(Math.min(across ? 22 : step, room), numbers ? 42 : across ? 10 : 12);
  const text = (one, isScan) => (isScan ? data.scans[one].name : one);
  const crowded = across && wide < 15 && scans.some((k) => data.scans[k].session); // then the sessions are named
  const head = (field, c) => {
    const scan = across && data.scans[field];
    const seen = !crowded ? text(field, across) : c && data.scans[fields[c - 1]].session === scan.session ? "" : scan.session;
    return [h("span", { class: "turned", "aria-hidden": String(crowded) }, seen), crowded && h("span", { class: "read" }, scan.name)];
  };
  const body = h("tbody", {}, lines.map((line) =>
    h("tr", {}, h("th", { scope: "row", tabindex: -1 }, text(line, !across)), fields.map((field) => {
      const node = document.createElement("td"); // there may be many thousands
      node.tabIndex = -1;
      drawCell(node, across ? results[field].get(line) : results[line].get(field), end);
      return node;
    }))));
  const sample = data.scans[scans[0]];
  const lost = scans.map((k) => data.scans[k].without).filter(Boolean);
  const excluded = lost.filter((why) => why.startsWith("excluded")).length;
  const count = `${scans.length} ${scans.length === 1 ? "scan" : "scans"}${lost.length ? " attempted" : ""}`;
  const title = [named(sample), count, lost.length > excluded && `${lost.length - excluded} failed`, excluded && `${excluded} excluded`].filter(Boolean).join(", ");
  const table = h("table", { class: "map", role: "grid", "aria-label": `${title}: ${WHAT[state.measurand]} by scan and pair` },
    h("colgroup", {}, h("col", { style: `width:${label}px` }), fields.map(() => h("col", { style: `width:${wide}px` }))),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, h("span", { class: "read" }, across ? "pair" : "scan")),
      fields.map((field, c) => h("th", { scope: "col" }, head(field, c))))),
    body);
  table.style.width = `${label + wide * fields.length}px`;
  table.style.setProperty("--high", across ? "22px" : scans.length > 40 && !numbers ? "18px" : "22px");
  const place = (node) => [node.parentNode.sectionRowIndex, node.cellIndex - 1];
  const at = (node) => {
    const [r, c] = place(node);
    const field = c < 0 ? null : fields[c];
    return across ? { scan: field, pair: lines[r] } : { scan: lines[r], pair: field };
  };
  const cell = (r, c) => body.rows[r]?.cells[c + 1];
  (cell(0, 0) ?? cell(0, -1)).tabIndex = 0;
  const point = (node) => {
    const { scan, pair } = at(node);
    if (known(scan) && known(pair)) tell(saidOf(scan, pair), node);
    else tell(known(scan) ? `Open ${data.scans[scan].name}` : "", node);
  };
  const use = (node) => {
    const { scan, pair } = at(node);
    if (known(scan)) openScan(scan, pair ?? state.pair, node);
  };
  const near = (event) => event.target.closest("td, th");
  body.addEventListener("pointerover", (event) => near(event) && point(near(event)));
  table.addEventListener("pointerleave", () => tell(""));
  body.addEventListener("click", (event) => near(event) && use(near(event)));
  body.addEventListener("focusin", (event) => {
    for (const old of body.querySelectorAll("[tabindex='0']")) old.tabIndex = -1;
    event.target.tabIndex = 0;
    point(event.target);
  });
  body.addEventListener("focusout", () => tell(""));
  body.addEventListener("keydown", (event) => {
    const node = near(event);
    const [r, c] = place(node);
    const moves = { ArrowUp: [r - 1, c], ArrowDown: [r + 1, c], ArrowLeft: [r, c - 1], ArrowRight: [r, c + 1],
      Home: [r, 0], End: [r, fields.length - 1], PageUp: [0, c], PageDown: [lines.length - 1, c] };
    if (event.key === "Enter" || event.key === " ") use(node);
    else if (!moves[event.key]) return;
    else cell(...moves[event.key])?.focus();
    event.preventDefault();
  });
  if (width < 700 && scans.length > 24) {
    return h("details", { class: "block" }, h("summary", {}, h("h3", {}, title)), table);
  }
  const block = h("div", { class: "block" }, h("h3", {}, title), table);
  if (lines.length * fields.length > 2000) { // laid out when it is seen
    block.style.cssText = `content-visibility:auto;contain-intrinsic-size:auto none auto ${lines.length * 18 + 80}px`;
  }
  return block;
}

function drawMaps() {
  const box = el("maps");
  const groups = new Map();
  data.scans.forEach((scan, k) => {
    if ((map.condition && scan.condition !== map.condition) || (map.model && scan.model !== map.model)) return;
    const key = JSON.stringify([scan.model, scan.condition]);
    groups.set(key, [...(groups.get(key) ?? []), k]);
  });
  const width = box.clientWidth;
  const place = (key) => JSON.parse(key).map((name, i) => [models, conditions][i].indexOf(name));
  const keys = [...groups.keys()].sort((a, b) => {
    const [[m, c], [n, d]] = [place(a), place(b)];
    return m - n || c - d;
  });
  // a row a model, a column a condition, where they fit
  const most = Math.max(...[...groups.values()].map((scans) => scans.length));
  const beside = unique(keys.map((key) => JSON.parse(key)[1])).length;
  const columns = most > 24 ? 1 : Math.max(Math.min(beside > 1 ? beside : keys.length, Math.floor(width / 300)), 1);
  box.style.gridTemplateColumns = `repeat(${columns}, minmax(0, 1fr))`;
  const each = (width - (columns - 1) * 19) / columns - 6;
  box.replaceChildren(...keys.map((key) => makeBlock(groups.get(key), each, keys.length === 1)).filter(Boolean));
  const firstFolded = box.querySelector("details");
  if (firstFolded) firstFolded.open = true; // the first of them is seen
  const unit = UNITS[state.measurand];
  const end = reach();
  el("legend").replaceChildren(
    h("i", { style: `background:linear-gradient(90deg,${STOPS.map(css).join(",")})` }),
    h("span", {}, quantity(-end, unit, true)), h("span", {}, "0"), h("span", {}, quantity(end, unit, true)));
  const limit = data.limits[state.measurand];
  el("map-note").textContent =
    `Colour: ${data.word} of the ${WHAT[state.measurand]}, measured minus ${data.against}; pairs in order of arch length. ` +
    "The sign is written where the colour is in its outer half; hatched: no result" +
    (known(limit) ? `; ring: beyond the limit of ${plain(limit, unit)} (uncertainty not considered).` : ".") +
    " Point at a cell, or move with the arrow keys, to read it; Enter or a click opens the scan.";
}

function startOverview() {
  if (!data.scans.length || !measurands.length) return;
  reveal("overview");
  const redraw = (key) => (value) => {
    map[key] = value;
    drawMaps();
  };
  const each = (values, all) => [["", all], ...values.map((value) => [value, value])];
  const picks = [
    choice("Show", measurands.map((name) => [name, WHAT[name]]), state.measurand, (value) => {
      state.measurand = value;
      reaching();
      drawMaps();
    }),
    choice("Condition", conditions.length > 1 ? each(conditions, "all") : [], "", redraw("condition")),
    choice("Model", models.length > 1 ? each(models, "all") : [], "", redraw("model")),
    choice("Full colour at", [["largest", "the largest value"], ["limit", "the limit"]], "largest", redraw("reach")),
    checkbox("numbers in the cells", false, (on) => {
      el("maps").classList.toggle("numbers", on);
      drawMaps();
    }),
  ];
  const reaching = () => (picks[3].whole.hidden = !known(data.limits[state.measurand]));
  reaching();
  el("map-choices").append(...picks.map((pick) => pick.whole), h("div", { class: "legend", id: "legend" }));
  const gone = data.scans.filter((scan) => scan.without);
  el("without").append(...gone.map((scan) => h("li", {}, `${scan.name}, no result: ${scan.without}`)));
  drawMaps();
  onWidth(el("maps"), drawMaps);
}

function startAccuracy() {
  const table = data.accuracy;
  if (!table.subject?.length) return;
  reveal("accuracy");
  const wanted = { condition: table.condition[0], model: table.model[0], measurand: measurands[0] };
  if (!table.bias?.some(known)) {
    for (const node of [el("accuracy-title"), document.querySelector("nav [data-for=accuracy]")]) node.textContent = "Precision of pairs";
  }
  const filled = (name) => name in table && table[name].some(known);
  const columns = () => {
    const unit = UNITS[wanted.measurand];
    return [["subject", "Pair"], ["span_mm", "Span, mm", "mm"], ["bias", `Bias, ${unit}`, unit, true, true],
      ["bias_low", "from", unit, true], ["bias_high", "to", unit, true], ["s_r", [...symbol("r"), `, ${unit}`], unit],
      ["s_I", [...symbol(data.between.index), `, ${unit}`], unit], ["n_scans", "Scans", "n"], ["n_cells", "Cells", "n"]].filter(([name]) => filled(name));
  };
  const draw = () => {
    const rows = rowsOf(table, (i) => ["condition", "model", "measurand"].every((name) => table[name][i] === wanted[name]));
    sortedTable(el("accuracies"), `Accuracy of each pair, ${WHAT[wanted.measurand]}`, columns(), { sort: "span_mm" }).show(rows);
  };
  const pick = (label, name, say = (value) => value) =>
    choice(label, unique(table[name]).map((value) => [value, say(value)]), wanted[name], (value) => {
      wanted[name] = value;
      draw();
    }).whole;
  el("accuracy-choices").append(pick("Show", "measurand", (value) => WHAT[value]), pick("Condition", "condition"), pick("Model", "model"));
  el("accuracy-note").replaceChildren(
    filled("bias") ? `Bias: mean ${data.word}, measured minus ${data.against}; from, to: its ${data.confidence} interval. ` : "",
    ...symbol("r"), ": repeatability standard deviation, within a cell",
    ...(filled("s_I") ? ["; ", ...symbol(data.between.index), `: ${data.between.name}; cells differ in ${data.between.factors}.`] : ["."]));
  draw();
}
