"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const el = (id) => document.getElementById(id);
  const state = { scan: data.scans[0]?.name, pair: null, sort: "span_mm", down: false, filter: "" };

  // ---- text -------------------------------------------------------------
  const number = (value, digits, signed) => {
    if (value === null || value === undefined) return "–";
    const text = Math.abs(value).toFixed(digits);
    const zero = Number(text) === 0;
    return (value < 0 && !zero ? "−" : signed && !zero ? "+" : "") + text;
  };
  el("title").textContent = data.title;
  document.title = `${data.title} – scans and ${data.word}s`;
  el("see").textContent = `One scan compared with ${data.against}`;
  el("pairs").textContent = `Pairs of implants in this scan, measured minus ${data.against}`;
  el("answer").textContent = data.answer;
  for (const line of data.cautions) {
    const item = document.createElement("li");
    item.textContent = line;
    el("cautions").append(item);
  }
  const several = new Set(data.scans.map((s) => s.condition)).size > 1;
  for (const scan of data.scans) {
    const option = document.createElement("option");
    option.value = scan.name;
    option.textContent = several ? `${scan.name} (${scan.condition})` : scan.name;
    el("scan").append(option);
  }

  const rowsOf = (table) => {
    const names = Object.keys(table);
    const out = [];
    for (let i = 0; i < table.scan.length; i++) {
      if (table.scan[i] !== state.scan) continue;
      out.push(Object.fromEntries(names.map((n) => [n, table[n][i]])));
    }
    return out;
  };

  // ---- table of pairs ---------------------------------------------------
  const columns = [
    ["pair", "Pair"],
    ["span_mm", "Span, mm", 2, false],
    ["path_mm", "Arch length, mm", 2, false],
    ["distance_um", "Distance, µm", 1, true],
    ["angle_deg", "Angle, °", 3, true],
    ["relative_axis_deg", "Axis, °", 3, false],
  ].filter(([name]) => name === "pair" || name in data.pairs);
  for (const [key, label] of columns) {
    const head = document.createElement("th");
    head.scope = "col";
    head.dataset.key = key;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = label;
    button.addEventListener("click", () => {
      state.down = state.sort === key ? !state.down : key !== "pair" && key !== "span_mm";
      state.sort = key;
      showTable();
    });
    head.append(button);
    el("heads").append(head);
  }

  const inMean = data.against === "the reference" ? data.against : `in ${data.against}`;
  const nameOf = (row) => `${row.implant_a}–${row.implant_b}`;

  function showTable() {
    const wanted = state.filter.trim().toLowerCase();
    const all = rowsOf(data.pairs).map((row) => ({ ...row, pair: nameOf(row) }));
    const rows = all.filter((row) => !wanted || row.pair.toLowerCase().includes(wanted));
    const magnitude = ["distance_um", "angle_deg"].includes(state.sort);
    const key = (row) => {
      const value = row[state.sort];
      if (state.sort === "pair") return value;
      return value === null ? -Infinity : magnitude ? Math.abs(value) : value;
    };
    rows.sort((a, b) => {
      const [x, y] = [key(a), key(b)];
      const order = typeof x === "string" ? x.localeCompare(y, "en", { numeric: true }) : x - y;
      return state.down ? -order : order;
    });
    for (const head of el("heads").children) {
      const mine = head.dataset.key === state.sort;
      head.setAttribute("aria-sort", mine ? (state.down ? "descending" : "ascending") : "none");
    }
    const body = el("rows");
    body.replaceChildren();
    for (const row of rows) {
      const line = document.createElement("tr");
      line.dataset.pair = row.pair;
      line.classList.toggle("picked", row.pair === state.pair);
      columns.forEach(([name, , digits, signed], i) => {
        const cell = document.createElement("td");
        if (i === 0) {
          const button = document.createElement("button");
          button.type = "button";
          button.textContent = row.pair;
          button.setAttribute("aria-pressed", String(row.pair === state.pair));
          cell.append(button);
        } else {
          cell.textContent = number(row[name], digits, signed);
        }
        line.append(cell);
      });
      line.addEventListener("click", () => pick(row.pair));
      body.append(line);
    }
    el("count").textContent = `${rows.length} of ${all.length} pairs; angle: deviation of the angle between the two axes` +
      ("relative_axis_deg" in data.pairs ? "; axis: deviation of the second axis relative to the first." : ".");
  }

  function showPicked() {
    const row = rowsOf(data.pairs).find((r) => nameOf(r) === state.pair);
    if (!row) {
      el("picked").textContent = state.pair ? `This scan does not show ${state.pair}.` : "Choose a pair.";
      return;
    }
    const longer = row.distance_um < 0 ? "shorter" : "longer";
    el("picked").textContent =
      `${state.pair} in ${state.scan}: ${number(Math.abs(row.distance_um), 1)} µm ${longer} than ${inMean} over a span of ` +
      `${number(row.span_mm, 2)}\u00a0mm (arch length ${number(row.path_mm, 2)} mm); angle between the axes ${number(row.angle_deg, 3, true)}°.`;
  }

  function pick(pair) {
    state.pair = pair;
    for (const line of el("rows").children) {
      const mine = line.dataset.pair === pair;
      line.classList.toggle("picked", mine);
      line.querySelector("button").setAttribute("aria-pressed", String(mine));
    }
    showPicked();
    drawScan();
  }

  // ---- view -------------------------------------------------------------
  const view = el("view");
  const T = window.THREE ?? THREE;
  let stage = null;

  function unpack(text, type) {
    const raw = atob(text);
    const bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
    return new type(bytes.buffer);
  }

  function makeStage() {
    let renderer;
    try {
      renderer = new T.WebGLRenderer({ antialias: true });
    } catch (error) {
      return null;
    }
    renderer.setClearColor(0xffffff);
    view.prepend(renderer.domElement);
    const scene = new T.Scene();
    const camera = new T.PerspectiveCamera(32, 4 / 3, 1, 2000);
    scene.add(new T.HemisphereLight(0xffffff, 0x8a8f98, 2.2));
    const lamp = new T.DirectionalLight(0xffffff, 1.6);
    scene.add(lamp);
    const controls = new T.OrbitControls(camera, renderer.domElement);
    controls.addEventListener("change", render);
    const moving = new T.Group();
    scene.add(moving);
    return { renderer, scene, camera, lamp, controls, moving, implants: [] };
  }

  function render() {
    if (!stage) return;
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
      const at = new T.Vector3(...implant.top).project(stage.camera);
      const span = names.children[i];
      span.style.left = `${((at.x + 1) / 2) * w}px`;
      span.style.top = `${((1 - at.y) / 2) * h}px`;
    });
  }

  // Turn to the model, as near as all of it can be seen.
  function turnToModel(model, points) {
    const up = new T.Vector3();
    for (const implant of model) up.add(new T.Vector3(...implant.axis));
    up.normalize();
    const side = new T.Vector3(0, -1, 0);
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
    const shape = new T.CylinderGeometry(radius, radius, high - low, 32);
    const paint = new T.MeshLambertMaterial({ color: colour, transparent: opacity < 1, opacity });
    const body = new T.Mesh(shape, paint);
    const direction = new T.Vector3(...axis).normalize();
    body.quaternion.setFromUnitVectors(new T.Vector3(0, 1, 0), direction);
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
    const cone = new T.Mesh(new T.CylinderGeometry(0, head * 0.42, head, 24), new T.MeshLambertMaterial({ color: colour }));
    cone.quaternion.setFromUnitVectors(new T.Vector3(0, 1, 0), delta.clone().normalize());
    cone.position.copy(neck).addScaledVector(delta.clone().normalize(), head / 2);
    onTop(cone);
  }

  let shown = null;
  function drawScan() {
    const scan = data.scans.find((s) => s.name === state.scan);
    if (!scan) return;
    const model = data.models[scan.model];
    const singles = new Map(rowsOf(data.singles).map((row) => [row.implant, row]));
    const scale = Number(el("scale").value);
    const sized = "distance_um" in data.singles ? [...singles.values()] : [];
    const worst = sized.reduce((a, b) => (a && a.distance_um >= b.distance_um ? a : b), null);
    el("viewtext").textContent =
      `Aligned by ${data.alignment.replace("-", " ")}. Arrows show each platform's ${data.word}, enlarged ${scale} times.` +
      (worst ? ` Largest here: ${number(worst.distance_um, 1)} µm at ${worst.implant}.` : "");
    if (!stage) return;
    stage.moving.clear();
    const mesh = data.meshes[scan.name];
    let corners = null;
    el("surface").disabled = !mesh;
    if (mesh && el("surface").checked) {
      const steps = unpack(mesh.corners, Uint16Array);
      corners = new Float32Array(steps.length);
      for (let i = 0; i < steps.length; i++) corners[i] = mesh.low[i % 3] + steps[i] * mesh.step[i % 3];
      const shape = new T.BufferGeometry();
      shape.setAttribute("position", new T.BufferAttribute(corners, 3));
      shape.setIndex(new T.BufferAttribute(unpack(mesh.faces, mesh.wide ? Uint32Array : Uint16Array), 1));
      shape.computeVertexNormals();
      const paint = new T.MeshLambertMaterial({ color: 0xd8cfc3, side: T.DoubleSide, transparent: true, opacity: 0.72 });
      stage.moving.add(new T.Mesh(shape, paint));
    }
    const picked = (state.pair ?? "").split("–");
    stage.implants = model.map((implant) => {
      const mine = picked.includes(implant.name);
      const colour = mine ? 0x561d4f : 0x9aa3ae;
      stage.moving.add(cylinder(implant.at, implant.axis, -0.6, 0, 2.0, colour, 1));
      stage.moving.add(cylinder(implant.at, implant.axis, 0, 13, 0.18, colour, 1));
      const row = singles.get(implant.name);
      if (row && row.dx_um !== null) {
        const delta = new T.Vector3(row.dx_um, row.dy_um, row.dz_um).multiplyScalar(scale / 1000);
        if (delta.length() > 0.01) arrow(new T.Vector3(...implant.at), delta, 0xc06a1f);
      }
      const direction = new T.Vector3(...implant.axis).normalize();
      const top = new T.Vector3(...implant.at).addScaledVector(direction, 13).toArray();
      return { ...implant, row, top, mine };
    });
    if (picked.length === 2) {
      const ends = picked.map((name) => model.find((i) => i.name === name)).filter(Boolean);
      if (ends.length === 2) {
        rod(new T.Vector3(...ends[0].at), new T.Vector3(...ends[1].at), 0.14, 0x561d4f);
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
      const points = stage.implants.flatMap((i) => [new T.Vector3(...i.at), new T.Vector3(...i.top)]);
      if (corners) {
        for (let i = 0; i < corners.length; i += 30) points.push(new T.Vector3(...corners.subarray(i, i + 3)));
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
        const seen = new T.Vector3(...point).project(stage.camera);
        const gap = Math.hypot(((seen.x + 1) / 2) * box.width - at[0], ((1 - seen.y) / 2) * box.height - at[1]);
        if (gap < 22 && (!best || gap < best.gap)) best = { gap, implant };
      }
    }
    const tip = el("hover");
    tip.hidden = !best;
    if (!best) return;
    const { name, row } = best.implant;
    tip.textContent = row
      ? `${name}: ` +
        ("distance_um" in row ? `${number(row.distance_um, 1)} µm (` : "(") +
        `mesiodistal ${number(row.mesiodistal_um, 1, true)}, buccolingual ` +
        `${number(row.buccolingual_um, 1, true)}, vertical ${number(row.vertical_um, 1, true)} µm)` +
        ("angle_deg" in row ? `, axis ${number(row.angle_deg, 3)}°` : "")
      : `${name}: not located in this scan`;
    tip.style.left = `${Math.min(at[0] + 14, box.width - 290)}px`;
    tip.style.top = `${Math.min(at[1] + 14, box.height - 90)}px`;
  }

  function key(event) {
    const turns = { ArrowLeft: [-0.1, 0], ArrowRight: [0.1, 0], ArrowUp: [0, -0.1], ArrowDown: [0, 0.1] };
    const { camera, controls } = stage;
    const offset = camera.position.clone().sub(controls.target);
    if (turns[event.key]) {
      const [around, over] = turns[event.key];
      offset.applyAxisAngle(camera.up, around);
      const side = new T.Vector3().crossVectors(camera.up, offset).normalize();
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

  // ---- start ------------------------------------------------------------
  el("scan").addEventListener("change", (event) => {
    state.scan = event.target.value;
    showTable();
    showPicked();
    drawScan();
  });
  el("filter").addEventListener("input", (event) => {
    state.filter = event.target.value;
    showTable();
  });
  el("scale").addEventListener("change", drawScan);
  el("surface").addEventListener("change", drawScan);
  stage = makeStage();
  if (stage) {
    view.addEventListener("pointermove", hover);
    view.addEventListener("pointerleave", () => (el("hover").hidden = true));
    view.addEventListener("keydown", key);
    new ResizeObserver(render).observe(view);
  } else {
    view.textContent = "This browser cannot show 3D graphics; the table is complete.";
  }
  view.setAttribute("aria-label", `Implants of ${data.against} with the ${data.word}s of the chosen scan`);
  showTable();
  showPicked();
  drawScan();
})();
