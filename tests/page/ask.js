// What tests ask of a page: what its scripts have drawn, say and do.
const all = (css) => [...document.querySelectorAll(css)];

// Elements as a script has made them, lengths to whole pixels; a star: reached by keyboard.
function drawn(css) {
  const round = (text) => text.replace(/-?\d+\.\d+/g, (n) => String(Math.round(Number(n))));
  const out = [];
  const walk = (node, depth) => {
    if (node.nodeType === 3 && node.textContent.trim()) out.push(depth + node.textContent.trim());
    if (node.nodeType !== 1) return;
    const said = [...node.attributes].map((a) => ` ${a.name}="${round(a.value)}"`).join("");
    out.push(depth + node.tagName.toLowerCase() + said + (node.tabIndex >= 0 ? " *" : ""));
    node.childNodes.forEach((child) => walk(child, `${depth} `));
  };
  all(css).forEach((one) => walk(one, ""));
  return out.join("\n");
}

// Where each key leads from each element.
const pressed = (css, keys) => all(css).map((start) => keys.map((key) => {
  start.focus();
  start.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
  const now = document.activeElement;
  return `${key}: ${now.getAttribute("aria-label") ?? `${now.parentNode.rowIndex} ${now.cellIndex}`}`;
}).join("; ")).join("\n");

// What the tip says of each element, and where it stands.
function pointed(css) {
  const tip = document.getElementById("tip");
  return all(css).map((one) => {
    const said = ["pointerover", "focus", "focusin"].map((kind) => {
      one.dispatchEvent(new Event(kind, { bubbles: true }));
      return tip.innerText;
    });
    const [x, y] = [tip.style.left, tip.style.top].map((v) => Math.round(parseFloat(v)));
    return `${said.find(Boolean) ?? ""} at ${x} ${y}`;
  }).join("\n");
}

// The order of a table's rows after its heads are pressed, twice each.
const sorted = (css) => all(`${css} thead button`).map((head) => [1, 2].map(() => {
  head.click();
  const rows = all(`${css} tbody tr`).map((row) => row.dataset.row).join(" ");
  return `${head.textContent}, ${head.closest("th").getAttribute("aria-sort")}: ${rows}`;
}).join("; ")).join("\n");

// Whether the tip is gone once something on the page is scrolled.
function scrolled(css) {
  const tip = document.getElementById("tip");
  all(css)[0].focus();
  const before = tip.hidden;
  all(css)[0].parentNode.dispatchEvent(new Event("scroll"));
  return `${before} ${tip.hidden}`;
}

// All that the solid view consists of, and whence it is seen.
function scene() {
  const { scene, camera, controls, lamp, renderer } = window.inside.stage;
  const text = (values) => values.map((v) => (typeof v === "number" ? Number(v.toFixed(3)) + 0 : v)).join(" ");
  const out = [`seen from ${text(camera.position.toArray())}, up ${text(camera.up.toArray())}, to ${text(controls.target.toArray())}`,
    `lens ${text([camera.fov, camera.aspect, camera.near, camera.far])}, lamp ${text(lamp.position.toArray())}`,
    `canvas ${renderer.domElement.width} ${renderer.domElement.height}, tab ${document.getElementById("view").tabIndex}`];
  scene.traverse((one) => {
    const { type, position, quaternion, intensity, geometry, material, renderOrder } = one;
    const shape = geometry ? [geometry.type, ...Object.values(geometry.parameters ?? {}).slice(0, 4), ...geometry.attributes.position.array.slice(0, 9), geometry.index?.count] : [];
    const paint = material ? [material.color.getHexString(), material.opacity, material.transparent, material.depthTest, material.side] : [one.color?.getHexString(), one.groundColor?.getHexString()];
    out.push([type, text(position.toArray()), text(quaternion.toArray()), text([intensity ?? "", renderOrder]), text(shape), text(paint)].join(" | "));
  });
  const names = all("#names span").map((one) => `${one.textContent} ${one.className} ${parseFloat(one.style.left).toFixed(1)} ${parseFloat(one.style.top).toFixed(1)}`);
  return [...out, ...names].join("\n");
}

// What the tip says where the pointer is, on a grid over the view.
function hovered() {
  const box = document.getElementById("view").getBoundingClientRect();
  const tip = document.getElementById("tip");
  const out = [];
  for (let y = 0; y < box.height; y += 7) {
    let row = "";
    for (let x = 0; x < box.width; x += 7) {
      window.inside.hover({ clientX: box.left + x, clientY: box.top + y });
      row += tip.hidden ? "." : tip.innerText.split("\n")[0].at(-1);
    }
    out.push(row);
  }
  window.inside.hover({ clientX: box.left - 99, clientY: box.top });
  return [...out, String(tip.hidden)].join("\n");
}

const options = (css, k) => [...(all(css)[k].options ?? [{ value: "" }])].map((one) => one.value);

function choose(css, k, value) {
  const one = all(css)[k];
  if (one.type === "checkbox") one.click();
  else {
    one.value = value;
    one.dispatchEvent(new Event("change", { bubbles: true }));
  }
}

const open = () => all("details").forEach((one) => (one.open = true));
const clicked = (css, k) => all(css)[k].dispatchEvent(new Event("click"));
const press = (label) => all("button").find((one) => one.textContent === label).click();

// What the functions of the page give.
function computed() {
  const { fixed, number, quantity, ticks, months, colour, inkOn, arrowTo, compared, unique, day, plain, chartName } = window.inside;
  const out = [];
  const say = (...parts) => out.push(parts.map((one) => JSON.stringify(one)).join(" "));
  for (const size of [0, 0.05, 0.25, 0.35, 1.005, 12.345, 999.95]) say(size, [0, 1, 2, 3].map((digits) => fixed(size, digits)));
  for (const value of [null, -0.04, 0.04, -2.25, 3.5]) {
    for (const unit of ["µm", "°", "mm", "ppm", "n", "score"]) say(value, unit, number(value, unit, true), quantity(value, unit));
  }
  for (const [low, high] of [[-12, 12.5], [0, 1], [0.003, 0.0041], [-900, 1400], [5, 5]]) say(low, high, ticks(low, high, 4));
  const start = Date.UTC(2026, 0, 5);
  for (const days of [3, 40, 170, 900, 4000]) say(days, months(start, start + days * 864e5, 6).map(([at, text]) => [at / 864e5, text]));
  for (const share of [-2, -1, -0.6, -0.1, 0, 0.3, 0.5, 1]) say(share, colour(share), inkOn(colour(share)));
  for (let grey = 100; grey < 140; grey += 1) say(grey, inkOn([grey, grey, grey]), inkOn([10, grey, 10]), inkOn([grey * 1.8, 10, grey]));
  for (const to of [[0.2, 0.1], [3, 4], [-60, 20]]) say(to, arrowTo(1, 2, ...to)?.outerHTML.replace(/\d+\.\d+/g, (n) => Number(n).toFixed(1)));
  say(["I10", "I2", "I1"].sort(compared), unique([1, 1, 2]), day("2026-12-09T08:00"), day(""), plain(60, "µm"), plain(0.4, "°"));
  say(["mean", "ewma-sd", "cusum-sd-low", "else"].map(chartName));
  return out.join("\n");
}
