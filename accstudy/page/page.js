// What all parts share: the data, numbers and dates as printed, elements, tables.
const data = JSON.parse(document.getElementById("data").textContent);
const el = (id) => document.getElementById(id);
const state = { scan: -1, pair: null, measurand: "distance_um" };

const DIGITS = { "µm": 1, "°": 3, mm: 2, ppm: 0, n: 0 };
const UNITS = { distance_um: "µm", angle_deg: "°" };
const WHAT = { distance_um: "distance", angle_deg: "angle between the axes" };
const plain = (value, unit) => String(value) + (unit === "°" ? unit : `\u00a0${unit}`); // as the user wrote it
const known = (value) => value !== null && value !== undefined;

// As the report rounds: a number midway between two goes to the even digit.
function fixed(size, digits) {
  const up = size.toFixed(digits);
  const exact = size.toFixed(digits + 30);
  const midway = /^50*$/.test(exact.slice(-30));
  return midway && Number(up.at(-1)) % 2 ? exact.slice(0, digits ? -30 : -31) : up;
}

function number(value, unit, signed = false) {
  if (!known(value)) return "–";
  const text = fixed(Math.abs(value), DIGITS[unit] ?? 2);
  const zero = Number(text) === 0;
  return (value < 0 && !zero ? "−" : signed && !zero ? "+" : "") + text;
}

const quantity = (value, unit, signed) =>
  known(value) ? number(value, unit, signed) + (unit === "°" || !unit ? unit : `\u00a0${unit}`) : "–";

const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
function day(at) {
  if (!at) return "";
  const [year, month, date] = at.slice(0, 10).split("-").map(Number);
  return `${date}\u00a0${MONTHS[month - 1]} ${year}`;
}

function fill(node, props, kids) {
  for (const [name, value] of Object.entries(props)) {
    if (!known(value) || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...kids.flat().filter((kid) => known(kid) && kid !== false));
  return node;
}
const h = (tag, props = {}, ...kids) => fill(document.createElement(tag), props, kids);
const s = (tag, props = {}, ...kids) =>
  fill(document.createElementNS("http://www.w3.org/2000/svg", tag), props, kids);

// A standard deviation with its index, as printed.
const symbol = (index) => [h("em", {}, "s"), h("sub", {}, index)];

// A list to choose from; it hides where there is no choice.
function choice(label, options, chosen, onchange) {
  const select = h("select", { onchange: () => onchange(select.value) });
  for (const [value, text] of options) select.append(h("option", { value, selected: value === chosen }, text));
  const whole = h("label", { hidden: options.length < 2 }, label, select);
  return { whole, select };
}

const checkbox = (label, checked, onchange) => {
  const box = h("input", { type: "checkbox", checked, onchange: () => onchange(box.checked) });
  return { whole: h("label", { class: "check" }, box, label), box };
};

const rowsOf = (table, wanted) => {
  const names = Object.keys(table);
  const out = [];
  for (let i = 0; i < (table[names[0]] ?? []).length; i++) {
    if (wanted(i)) out.push(Object.fromEntries(names.map((name) => [name, table[name][i]])));
  }
  return out;
};
const unique = (values) => [...new Set(values)];
const compared = (a, b) => String(a).localeCompare(String(b), "en", { numeric: true });
const pairName = (row) => `${row.implant_a}–${row.implant_b}`;
const conditions = unique(data.scans.map((scan) => scan.condition));
const models = unique(data.scans.map((scan) => scan.model));
const named = (scan) =>
  [conditions.length > 1 && scan.condition, models.length > 1 && `model ${scan.model}`].filter(Boolean).join(", ");

// A table that sorts by the column whose head is pressed; its first column names the row.
// columns: [key, label, unit, signed, by magnitude]; choose: row -> void makes rows buttons.
function sortedTable(mount, label, columns, { sort, down = false, limits = {}, choose = null, few = false }) {
  const order = { key: sort ?? columns[0][0], down };
  const body = h("tbody");
  const heads = columns.map(([key, text, unit]) =>
    h("th", { scope: "col", "data-key": key, class: unit === undefined && "said" },
      h("button", { type: "button", onclick: () => {
        order.down = order.key === key ? !order.down : key !== columns[0][0] && key !== "span_mm";
        order.key = key;
        show();
      } }, ...[text].flat())));
  const limited = columns.some(([key]) => known(limits[key]));
  const table = h("table", { class: "sorted" },
    h("caption", { class: "read" }, label),
    h("thead", {}, h("tr", {}, heads),
      limited && h("tr", { class: "limit" }, columns.map(([key, , unit], i) =>
        i ? h("td", { "data-limit": key }, known(limits[key]) ? String(limits[key]) : "") : h("th", { scope: "row" }, "limit")))),
    body);
  mount.replaceChildren(few ? table : h("div", { class: "scroll", tabindex: 0, role: "group", "aria-label": label }, table));
  let rows = [];
  let picked = null;

  function cell(row, [key, , unit, signed], i) {
    if (i === 0) {
      const name = row[key];
      if (!choose) return h("th", { scope: "row" }, name);
      return h("th", { scope: "row", class: "pick" },
        h("button", { type: "button", "aria-pressed": String(name === picked), onclick: () => choose(row) }, name));
    }
    const value = row[key];
    const beyond = known(limits[key]) && known(value) && Math.abs(value) > limits[key];
    return h("td", { "data-key": key, class: beyond ? "beyond" : typeof value === "string" && "said" }, typeof value === "string" ? value : number(value, unit, signed),
      beyond && h("span", { class: "read" }, " beyond the limit"));
  }

  function show(next = rows, chosen = picked) {
    rows = next;
    picked = chosen;
    const [, , , , magnitude] = columns.find(([key]) => key === order.key) ?? [];
    const value = (row) => {
      const found = row[order.key];
      return !known(found) ? -Infinity : typeof found === "number" && magnitude ? Math.abs(found) : found;
    };
    const sorted = [...rows].sort((a, b) => {
      const [x, y] = [value(a), value(b)];
      const way = typeof x === "string" ? compared(x, y) : x < y ? -1 : x > y ? 1 : 0;
      return order.down ? -way : way;
    });
    for (const head of heads) {
      head.setAttribute("aria-sort", head.dataset.key !== order.key ? "none" : order.down ? "descending" : "ascending");
    }
    body.replaceChildren(...sorted.map((row) =>
      h("tr", { "data-row": row[columns[0][0]], class: row[columns[0][0]] === picked && "picked" },
        columns.map((column, i) => cell(row, column, i)))));
  }
  return { show };
}

// One tip for all that is pointed at or has the focus; Escape closes it.
const tip = el("tip");
function tell(text, target) {
  tip.hidden = !text;
  if (!text) return;
  tip.textContent = text;
  const box = target.getBoundingClientRect();
  const { offsetWidth: w, offsetHeight: high } = tip;
  const left = Math.min(Math.max(box.left + box.width / 2 - w / 2, 6), document.documentElement.clientWidth - w - 6);
  const above = box.top - high - 8;
  tip.style.left = `${left}px`;
  tip.style.top = `${above > 4 ? above : box.bottom + 8}px`;
}
document.addEventListener("keydown", (event) => event.key === "Escape" && tell(""));
document.addEventListener("scroll", () => tell(""), { passive: true, capture: true });

function go(title) {
  el(title).scrollIntoView();
  el(title).focus({ preventScroll: true });
}

function reveal(section) {
  el(section).hidden = false;
  document.querySelector(`nav [data-for="${section}"]`).hidden = false;
}

// Draw anew when the width changes, not when the height does.
function onWidth(node, draw) {
  let width = node.clientWidth;
  new ResizeObserver(() => {
    if (node.clientWidth === width || !node.clientWidth) return;
    width = node.clientWidth;
    draw();
  }).observe(node);
}
