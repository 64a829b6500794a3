// One scan: its pairs, its implants, and a view: solid where there is a surface, else a plan.
const view = el("view");
let stage = null;
let from = null; // the cell of the map that the scan was opened from
let singlesOf = new Map();
const look = { scale: 200, surface: true, filter: "" };

const inMean = data.against === "the reference" ? data.against : `in ${data.against}`;
const pairTable = { show: () => {} };
const singleTable = { show: () => {} };

function openScan(k, pair = state.pair, source = null) {
  state.scan = k;
  state.pair = pair;
  showScan();
  if (!source) return;
  from = source;
  el("back").hidden = false;
  tell("");
  go("scan-title");
}

function pick(pair) {
  state.pair = pair;
  showPairs();
  drawView();
}

function showScan() {
  const scan = data.scans[state.scan];
  el("scan-title").textContent = `One scan: ${scan.name}`;
  el("which").value = String(state.scan);
  const about = [["condition", scan.condition], ["model", scan.model], ["measured on", day(scan.at)], ["session", scan.session],
    ...scan.facts.map(([what, value, unit]) => [what, quantity(value, unit)]), ["no result", scan.without]];
  el("facts").replaceChildren(...about.filter(([, said]) => said).map(([what, said]) => h("div", {}, h("dt", {}, what), h("dd", {}, said))));
  singlesOf = new Map(rowsOf(data.singles, (i) => data.singles.scan[i] === state.scan).map((row) => [row.implant, row]));
  singleTable.show([...singlesOf.values()]);
  showPairs();
  drawView();
}

function showPairs() {
  const all = [...results[state.scan].values()].map((row) => ({ ...row, pair: pairName(row) }));
  const wanted = look.filter.trim().toLowerCase();
  pairTable.show(all.filter((row) => !wanted || row.pair.toLowerCase().includes(wanted)), state.pair);
  const row = results[state.scan].get(state.pair);
  if (!row) {
    el("picked").textContent = !all.length ? data.scans[state.scan].without
      : state.pair ? `This scan has no result for ${state.pair}.` : "Choose a pair to see it in the view.";
    return;
  }
  const way = number(row.distance_um, "µm") === "0.0" ? "as long as" : row.distance_um < 0 ? "shorter than" : "longer than";
  const size = way === "as long as" ? "" : `${quantity(Math.abs(row.distance_um), "µm")} `;
  el("picked").textContent = known(row.distance_um)
    ? `${state.pair}: ${size}${way} ${inMean} over a span of ${quantity(row.span_mm, "mm")}` +
      `${known(row.path_mm) ? ` (arch length ${quantity(row.path_mm, "mm")})` : ""}; ${data.word} of the angle between the axes ${quantity(row.angle_deg, "°", true)}.`
    : `This scan has no result for ${state.pair}.`;
}

function implantText(name) {
  const row = singlesOf.get(name);
  if (!row) return `${name}: not located in this scan`;
  const parts = [["mesiodistal_um", "mesiodistal"], ["buccolingual_um", "buccolingual"], ["vertical_um", "vertical"]]
    .map(([key, word]) => `${word} ${quantity(row[key], "µm", true)}`);
  if (known(row.distance_um)) parts.push(`3D ${quantity(row.distance_um, "µm")}`);
  if (known(row.angle_deg)) parts.push(`axis ${quantity(row.angle_deg, "°")}`);
  return `${name}\n${parts.join("\n")}`;
}

function drawView() {
  const scan = data.scans[state.scan];
  const solid = Boolean(data.meshes[scan.name]) && Boolean((stage ??= makeStage()));
  view.classList.toggle("solid", solid);
  for (const part of view.querySelectorAll("canvas, #names")) part.hidden = !solid;
  view.querySelector("svg")?.remove();
  const said = `Aligned by ${data.alignment.replace("-", " ")}. Arrows: ${data.word} of each platform, enlarged ${look.scale} times.`;
  view.setAttribute("role", "img");
  view.setAttribute("aria-label", `Implants of ${data.against} with the ${data.word}s of this scan; the table below gives the numbers`);
  if (solid) {
    view.tabIndex = 0;
    el("view-note").textContent = `${said} Drag or use the arrow keys to rotate, + and − to zoom.`;
    drawSolid(scan);
    return;
  }
  view.removeAttribute("tabindex");
  const no3d = data.meshes[scan.name] ? " This browser shows no 3D graphics." : "";
  el("view-note").textContent = `${said} Seen from above, along the mean axis; the number at an implant is its vertical ${data.word}, µm.${no3d}`;
  drawPlan(data.models[scan.model] ?? []);
}

// ---- plan: the arch from above --------------------------------------------
const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const along = (a, b, t) => a.map((v, i) => v + t * b[i]);
const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const unitOf = (a) => along([0, 0, 0], a, 1 / (Math.hypot(...a) || 1));

function drawPlan(model) {
  if (!model.length) return;
  const up = unitOf(model.reduce((sum, implant) => along(sum, implant.axis, 1), [0, 0, 0]));
  const chord = along(model.at(-1).at, model[0].at, -1);
  const level = along(chord, up, -dot(chord, up));
  let right = unitOf(Math.hypot(...level) > 1e-6 ? level : cross(up, Math.abs(up[0]) < 0.9 ? [1, 0, 0] : [0, 1, 0]));
  let ahead = cross(up, right);
  const base = model[0].at;
  const middle = model.reduce((sum, implant) => sum + dot(along(implant.at, base, -1), ahead), 0);
  if (middle < 0) [right, ahead] = [right, ahead].map((v) => along([0, 0, 0], v, -1));
  const flat = (p) => [dot(along(p, base, -1), right), -dot(along(p, base, -1), ahead)];
  const places = model.map((implant) => flat(implant.at));
  const tips = model.map((implant, i) => {
    const row = singlesOf.get(implant.name);
    if (!row || !known(row.dx_um)) return null;
    const moved = [row.dx_um, row.dy_um, row.dz_um].map((v) => (v * look.scale) / 1000);
    return [places[i][0] + dot(moved, right), places[i][1] - dot(moved, ahead)];
  });
  const all = [...places, ...tips.filter(Boolean)];
  const [xs, ys] = [all.map((p) => p[0]), all.map((p) => p[1])];
  const width = view.clientWidth || 560;
  const pad = 46;
  const scale = Math.min((width - 2 * pad) / Math.max(Math.max(...xs) - Math.min(...xs), 1), 330 / Math.max(Math.max(...ys) - Math.min(...ys), 1));
  const put = ([x, y]) => [pad + (x - Math.min(...xs)) * scale + (width - 2 * pad - (Math.max(...xs) - Math.min(...xs)) * scale) / 2, pad + (y - Math.min(...ys)) * scale];
  const high = 2 * pad + (Math.max(...ys) - Math.min(...ys)) * scale;
  const picked = (state.pair ?? "").split("–");
  const ends = model.map((implant, i) => picked.includes(implant.name) && put(places[i])).filter(Boolean);
  const centre = put([(Math.max(...xs) + Math.min(...xs)) / 2, Math.max(...ys)]);
  view.append(s("svg", { viewBox: `0 0 ${width} ${high}`, "aria-hidden": "true" },
    s("polyline", { points: places.map((p) => put(p).join()).join(" "), class: "centre", "stroke-dasharray": "2 3" }),
    ends.length === 2 && s("line", { x1: ends[0][0], y1: ends[0][1], x2: ends[1][0], y2: ends[1][1], stroke: "#561d4f", "stroke-width": 2.5 }),
    model.map((implant, i) => {
      const [x, y] = put(places[i]);
      const mine = picked.includes(implant.name);
      const row = singlesOf.get(implant.name);
      const end = tips[i] && put(tips[i]);
      // the name stands where no line and no arrow goes, outside the arch if it can
      const toward = (p, weight) => along([0, 0, 0], unitOf([p[0] - x, p[1] - y, 0]), weight);
      const taken = [places[i - 1], places[i + 1]].filter(Boolean).map((p) => toward(put(p), 1));
      if (end) taken.push(toward(end, 1.1));
      if (mine) taken.push(...ends.filter((p) => p[0] !== x || p[1] !== y).map((p) => toward(p, 1)));
      taken.push(toward(centre, 0.9));
      const cost = (way) => Math.max(...taken.map((line) => dot(line, way)));
      const ways = Array.from({ length: 16 }, (_, k) => [Math.cos((k * Math.PI) / 8), Math.sin((k * Math.PI) / 8), 0]);
      const out = ways.reduce((best, way) => (cost(way) < cost(best) ? way : best));
      const [tx, ty] = [x + out[0] * 30, y + out[1] * 27 + 4];
      return s("g", {
        onpointerover: (event) => tell(implantText(implant.name), event.currentTarget), onpointerout: () => tell("") },
        s("circle", { cx: x, cy: y, r: 6.5, fill: mine ? "#561d4f" : "#fff", stroke: mine ? "#561d4f" : "#6b7480", "stroke-width": 2 }),
        end && arrowTo(x, y, ...end),
        s("text", { x: tx, y: ty - 3, "text-anchor": "middle", "font-weight": 600 }, implant.name),
        s("text", { x: tx, y: ty + 10, "text-anchor": "middle", class: "soft" }, row ? number(row.vertical_um, "µm", true) : "not located"));
    })));
}

function arrowTo(x, y, x2, y2) {
  const length = Math.hypot(x2 - x, y2 - y);
  if (length < 0.5) return null;
  const [ux, uy] = [(x2 - x) / length, (y2 - y) / length];
  const head = Math.min(9, length * 0.6);
  const [bx, by] = [x2 - ux * head, y2 - uy * head];
  return s("g", {},
    s("line", { x1: x, y1: y, x2: bx, y2: by, stroke: "#a9570f", "stroke-width": 3 }),
    s("path", { d: `M${x2} ${y2}L${bx - uy * head * 0.5} ${by + ux * head * 0.5}L${bx + uy * head * 0.5} ${by - ux * head * 0.5}Z`, fill: "#a9570f" }));
}

// ---- solid: the scanned surface -------------------------------------------
let noSolid = false;

function unpack(text, type) {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  return new type(bytes.buffer);
}

function makeStage() {
  if (typeof THREE === "undefined" || noSolid) return null;
  let renderer;
  try {
    renderer = new THREE.WebGLRenderer({ antialias: true });
  } catch (error) {
    noSolid = true;
    return null;
  }
  renderer.setClearColor(0xffffff);
  view.append(renderer.domElement, h("div", { id: "names", "aria-hidden": "true" }));
  view.addEventListener("pointermove", hover);
  view.addEventListener("pointerleave", () => tell(""));
  view.addEventListener("keydown", key);
  new ResizeObserver(render).observe(view);
  const scene = new THREE.Scene();
  const camera = new THREE.PerspectiveCamera(32, 4 / 3, 1, 2000);
  scene.add(new THREE.HemisphereLight(0xffffff, 0x8a8f98, 2.2));
  const lamp = new THREE.DirectionalLight(0xffffff, 1.6);
  scene.add(lamp);
  const controls = new THREE.OrbitControls(camera, renderer.domElement);
  controls.addEventListener("change", render);
  const moving = new THREE.Group();
  scene.add(moving);
  return { renderer, scene, camera, lamp, controls, moving, implants: [] };
}

function render() {
  if (!stage || !view.classList.contains("solid")) return;
  const { clientWidth: w, clientHeight: h } = view;
  const ratio = Math.min(window.devicePixelRatio || 1, 2);
  const canvas = stage.renderer.domElement;
  if (canvas.width !== Math.floor(w * ratio) || canvas.height !== Math.floor(h * ratio)) {
    stage.renderer.setPixelRatio(ratio);
    stage.renderer.setSize(w, h, false);
    stage.camera.aspect = w / h;
    stage.camera.updateProjectionMatrix();
  }
  stage.lamp.position.copy(stage.camera.position);
  stage.renderer.render(stage.scene, stage.camera);
  const names = el("names");
  stage.implants.forEach((implant, i) => {
    const at = new THREE.Vector3(...implant.top).project(stage.camera);
    const span = names.children[i];
    span.style.left = `${((at.x + 1) / 2) * w}px`;
    span.style.top = `${((1 - at.y) / 2) * h}px`;
  });
}

// Turn to the model, as near as all of it can be seen.
function turnToModel(model, points) {
  const up = new THREE.Vector3();
  for (const implant of model) up.add(new THREE.Vector3(...implant.axis));
  up.normalize();
  const side = new THREE.Vector3(0, -1, 0);
  side.addScaledVector(up, -side.dot(up)).normalize();
  const from = up.clone().multiplyScalar(3.0).addScaledVector(side, 2.2).normalize();
  const { camera, controls } = stage;
  const low = points[0].clone();
  const high = points[0].clone();
  for (const point of points) {
    low.min(point);
    high.max(point);
  }
  controls.target.copy(low).add(high).multiplyScalar(0.5);
  camera.up.copy(up);
  camera.aspect = view.clientWidth / view.clientHeight;
  camera.updateProjectionMatrix();
  const inside = (point) => {
    const at = point.clone().project(camera);
    return Math.abs(at.x) < 0.92 && at.y < 0.84 && at.y > -0.94;
  };
  for (let distance = 40; distance < 1500; distance *= 1.04) {
    camera.position.copy(controls.target).addScaledVector(from, distance);
    controls.update();
    camera.updateMatrixWorld();
    if (points.every(inside)) break;
  }
}

function cylinder(from, axis, low, high, radius, colour, opacity) {
  const shape = new THREE.CylinderGeometry(radius, radius, high - low, 32);
  const paint = new THREE.MeshLambertMaterial({ color: colour, transparent: opacity < 1, opacity });
  const body = new THREE.Mesh(shape, paint);
  const direction = new THREE.Vector3(...axis).normalize();
  body.quaternion.setFromUnitVectors(new THREE.Vector3(0, 1, 0), direction);
  body.position.set(...from).addScaledVector(direction, (low + high) / 2);
  return body;
}

// What must be seen through a surface is drawn after it.
function onTop(part) {
  part.material.depthTest = false;
  part.material.transparent = true;
  part.renderOrder = 2;
  stage.moving.add(part);
}

function rod(from, to, radius, colour) {
  const along = to.clone().sub(from);
  onTop(cylinder(from.toArray(), along.toArray(), 0, Math.max(along.length(), 0.01), radius, colour, 1));
}

function arrow(from, delta, colour) {
  const length = delta.length();
  const head = Math.min(2.0, length * 0.5);
  const neck = from.clone().addScaledVector(delta.clone().normalize(), length - head);
  rod(from, neck, 0.26, colour);
  const cone = new THREE.Mesh(new THREE.CylinderGeometry(0, head * 0.42, head, 24), new THREE.MeshLambertMaterial({ color: colour }));
  cone.quaternion.setFromUnitVectors(new THREE.Vector3(0, 1, 0), delta.clone().normalize());
  cone.position.copy(neck).addScaledVector(delta.clone().normalize(), head / 2);
  onTop(cone);
}

let shown = null;
function drawSolid(scan) {
  const model = data.models[scan.model];
  stage.moving.clear();
  const mesh = data.meshes[scan.name];
  let corners = null;
    if (look.surface) {
    const steps = unpack(mesh.corners, Uint16Array);
    corners = new Float32Array(steps.length);
    for (let i = 0; i < steps.length; i++) corners[i] = mesh.low[i % 3] + steps[i] * mesh.step[i % 3];
    const shape = new THREE.BufferGeometry();
    shape.setAttribute("position", new THREE.BufferAttribute(corners, 3));
    shape.setIndex(new THREE.BufferAttribute(unpack(mesh.faces, mesh.wide ? Uint32Array : Uint16Array), 1));
    shape.computeVertexNormals();
    const paint = new THREE.MeshLambertMaterial({ color: 0xd8cfc3, side: THREE.DoubleSide, transparent: true, opacity: 0.72 });
    stage.moving.add(new THREE.Mesh(shape, paint));
  }
  const picked = (state.pair ?? "").split("–");
  stage.implants = model.map((implant) => {
    const mine = picked.includes(implant.name);
    const colour = mine ? 0x561d4f : 0x9aa3ae;
    stage.moving.add(cylinder(implant.at, implant.axis, -0.6, 0, 2.0, colour, 1));
    stage.moving.add(cylinder(implant.at, implant.axis, 0, 13, 0.18, colour, 1));
    const row = singlesOf.get(implant.name);
    if (row && row.dx_um !== null) {
      const delta = new THREE.Vector3(row.dx_um, row.dy_um, row.dz_um).multiplyScalar(look.scale / 1000);
      if (delta.length() > 0.01) arrow(new THREE.Vector3(...implant.at), delta, 0xc06a1f);
    }
    const direction = new THREE.Vector3(...implant.axis).normalize();
    const top = new THREE.Vector3(...implant.at).addScaledVector(direction, 13).toArray();
    return { ...implant, row, top, mine };
  });
  if (picked.length === 2) {
    const ends = picked.map((name) => model.find((i) => i.name === name)).filter(Boolean);
    if (ends.length === 2) {
      rod(new THREE.Vector3(...ends[0].at), new THREE.Vector3(...ends[1].at), 0.14, 0x561d4f);
    }
  }
  const names = el("names");
  names.replaceChildren(
    ...stage.implants.map((implant) => {
      const span = document.createElement("span");
      span.textContent = implant.name;
      span.classList.toggle("picked", implant.mine);
      return span;
    }),
  );
  if (shown !== scan.model) {
    const points = stage.implants.flatMap((i) => [new THREE.Vector3(...i.at), new THREE.Vector3(...i.top)]);
    if (corners) {
      for (let i = 0; i < corners.length; i += 30) points.push(new THREE.Vector3(...corners.subarray(i, i + 3)));
    }
    turnToModel(model, points);
  }
  shown = scan.model;
  render();
}

function hover(event) {
  const box = view.getBoundingClientRect();
  const at = [event.clientX - box.left, event.clientY - box.top];
  let best = null;
  for (const implant of stage.implants) {
    for (const point of [implant.at, implant.top]) {
      const seen = new THREE.Vector3(...point).project(stage.camera);
      const gap = Math.hypot(((seen.x + 1) / 2) * box.width - at[0], ((1 - seen.y) / 2) * box.height - at[1]);
      if (gap < 22 && (!best || gap < best.gap)) best = { gap, implant };
    }
  }
  const spot = { left: event.clientX, top: event.clientY, bottom: event.clientY + 12, width: 0 };
  tell(best ? implantText(best.implant.name) : "", { getBoundingClientRect: () => spot });
}

function key(event) {
  const turns = { ArrowLeft: [-0.1, 0], ArrowRight: [0.1, 0], ArrowUp: [0, -0.1], ArrowDown: [0, 0.1] };
  const { camera, controls } = stage;
  const offset = camera.position.clone().sub(controls.target);
  if (turns[event.key]) {
    const [around, over] = turns[event.key];
    offset.applyAxisAngle(camera.up, around);
    const side = new THREE.Vector3().crossVectors(camera.up, offset).normalize();
    const turned = offset.clone().applyAxisAngle(side, over);
    if (turned.angleTo(camera.up) > 0.05 && turned.angleTo(camera.up) < Math.PI - 0.05) offset.copy(turned);
  } else if (event.key === "+" || event.key === "=") offset.multiplyScalar(0.9);
  else if (event.key === "-") offset.multiplyScalar(1 / 0.9);
  else return;
  event.preventDefault();
  camera.position.copy(controls.target).add(offset);
  controls.update();
  render();
}

function startScan() {
  if (!data.scans.length || !measurands.length) return;
  reveal("scan");
  const options = data.scans.map((scan, k) => [String(k), [scan.name, named(scan), scan.without && "no result"].filter(Boolean).join(", ")]);
  const which = choice("Scan", options, "0", (value) => openScan(Number(value)));
  which.select.id = "which";
  const step = (by) => openScan(Math.min(Math.max(state.scan + by, 0), data.scans.length - 1));
  const scales = choice("Arrows enlarged", [20, 50, 100, 200, 500, 1000].map((k) => [String(k), `${k} times`]), "200", (value) => {
    look.scale = Number(value);
    drawView();
  });
  const surface = checkbox("scanned surface", true, (on) => {
    look.surface = on;
    drawView();
  });
  surface.whole.hidden = !Object.keys(data.meshes).length;
  const filter = h("input", { type: "search", id: "filter", placeholder: "an implant", oninput: () => {
    look.filter = filter.value;
    showPairs();
  } });
  el("scan-choices").append(which.whole,
    h("div", { class: "steps" }, h("button", { type: "button", onclick: () => step(-1) }, "Previous"), " ",
      h("button", { type: "button", onclick: () => step(1) }, "Next")),
    scales.whole, surface.whole, h("label", {}, "Only pairs with", filter),
    h("button", { type: "button", id: "back", hidden: true, onclick: () => {
      if (!from?.isConnected) return go("overview-title");
      from.scrollIntoView({ block: "center" });
      from.focus({ preventScroll: true });
    } }, "Back to all scans"));
  el("view-title").textContent = `Implants, compared with ${data.against}`;
  el("pairs-title").textContent = `Pairs, measured minus ${data.against}`;
  el("pairs-note").textContent = `Angle: ${data.word} of the angle between the two axes` +
    (data.pairs.relative_axis_deg?.some(known) ? `; axis: ${data.word} of the second axis relative to the first` : "") +
    (Object.keys(data.limits).length ? "; triangle: beyond the limit (uncertainty not considered)." : ".");
  const have = (table) => ([key]) => key === "pair" || table[key]?.some(known);
  Object.assign(pairTable, sortedTable(el("pairs"), "Pairs of this scan", [["pair", "Pair"], ["span_mm", "Span, mm", "mm"],
    ["path_mm", "Arch length, mm", "mm"], ["distance_um", "Distance, µm", "µm", true, true], ["angle_deg", "Angle, °", "°", true, true],
    ["relative_axis_deg", "Axis, °", "°"]].filter(have(data.pairs)), { sort: "span_mm", limits: data.limits, choose: (row) => pick(row.pair) }));
  Object.assign(singleTable, sortedTable(el("singles"), "Implants of this scan", [["implant", "Implant"],
    ["mesiodistal_um", "Mesio­distal, µm", "µm", true, true], ["buccolingual_um", "Bucco­lingual, µm", "µm", true, true],
    ["vertical_um", "Vertical, µm", "µm", true, true], ["distance_um", "3D, µm", "µm"], ["angle_deg", "Axis, °", "°"]]
    .filter(have(data.singles)), { few: true }));
  openScan(Math.max(data.scans.findIndex((scan) => !scan.without), 0));
  onWidth(view, () => stage && view.classList.contains("solid") ? render() : drawView());
}
