"use strict";
const all = (css, from = document) => [...from.querySelectorAll(css)];

// files: brought one after the other, each refused or taken in words
for (const box of all("[data-upload]")) {
  const said = box.querySelector("[aria-live]"), input = box.querySelector("input[type=file]");
  const bring = async (files) => {
    const wrong = [];
    let taken = 0;
    input.disabled = true;
    for (const file of files) {
      said.classList.remove("wrong");
      said.textContent = `${taken + wrong.length + 1} of ${files.length}: ${file.name} ...`;
      if (file.size > Number(box.dataset.most)) {
        wrong.push(`"${file.name}" has ${Math.round(file.size / 1e6)} MB; files of up to ${box.dataset.most / 1e6} MB are read`);
        continue;
      }
      const to = new URL(box.dataset.upload, location.href);
      to.searchParams.set("name", file.name);
      to.searchParams.set("changed", Math.round(file.lastModified));
      for (const more of all("select", box)) to.searchParams.set(more.name, more.value);
      try {
        const answer = await fetch(to, { method: "POST", body: file, headers: { accept: "application/json" } });
        const told = await answer.json();
        if (answer.ok) taken += 1;
        else for (const f of told.refused) wrong.push(`${f.what}${f.mend ? ` (${f.mend})` : ""}`);
      } catch {
        wrong.push(`${file.name}: the desk did not take it; it may be too large, or the desk was closed`);
      }
    }
    input.disabled = false;
    input.value = "";
    if (!wrong.length) return location.reload();
    said.classList.add("wrong");
    said.textContent = `Refused: ${wrong.join("\n")}${taken ? `\n${taken} files were taken.` : ""}`;
  };
  input.addEventListener("change", () => bring([...input.files]));
  box.addEventListener("dragover", (e) => { e.preventDefault(); box.classList.add("over"); });
  box.addEventListener("dragleave", () => box.classList.remove("over"));
  box.addEventListener("drop", (e) => { e.preventDefault(); box.classList.remove("over"); bring([...e.dataTransfer.files]); });
}

// parts that take a while are filled in when they are ready
for (const part of all("[data-load]")) {
  fetch(part.dataset.load).then((r) => r.text()).then((text) => {
    part.innerHTML = text;
    all("canvas.turn", part).forEach((canvas) => turn(canvas, part));
  });
}

// a body to be turned: flat-shaded triangles, the farthest first; arrows for axis and flat
function turn(canvas, part) {
  const net = JSON.parse(canvas.dataset.net), pen = canvas.getContext("2d"), half = canvas.width / 2;
  const add = (a, b, k = 1) => a.map((v, i) => v + k * b[i]);
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const unit = (a) => a.map((v) => v / Math.hypot(...a));
  const some = net.flats[0]?.towards ?? unit(cross(net.axis, Math.abs(net.axis[0]) < .9 ? [1, 0, 0] : [0, 1, 0]));
  const frame = [some, net.axis, unit(cross(some, net.axis))];
  const middle = add(net.foot, net.axis, net.length / 2), reach = .35 * net.length;
  const far = Math.max(...net.points.map((p) => Math.hypot(...add(p, middle, -1))));
  const scale = half / (far + reach);
  const picked = (name) => part.querySelector(`[name=${name}]:checked`)?.value;
  let about = -.5, tip = .35;
  const seen = (p, d = p.map((v, i) => v - middle[i])) => {
    const [x, y, z] = frame.map((f) => dot(d, f));
    const a = x * Math.cos(about) + z * Math.sin(about), b = z * Math.cos(about) - x * Math.sin(about);
    return [half + scale * a, half - scale * (y * Math.cos(tip) - b * Math.sin(tip)), y * Math.sin(tip) + b * Math.cos(tip)];
  };
  const arrow = (from, to, text) => {
    const [a, b] = [seen(from), seen(to)], way = Math.atan2(b[1] - a[1], b[0] - a[0]);
    pen.beginPath(); pen.moveTo(a[0], a[1]); pen.lineTo(b[0], b[1]);
    for (const s of [-.4, .4]) { pen.moveTo(b[0], b[1]); pen.lineTo(b[0] - 14 * Math.cos(way + s), b[1] - 14 * Math.sin(way + s)); }
    pen.stroke(); pen.fillText(text, b[0] + 8, b[1]);
  };
  const draw = () => {
    const at = net.points.map((p) => seen(p));
    const shown = [];
    for (const [i, j, k] of net.faces) {
      const a = at[i], b = at[j], c = at[k];
      let light = unit(cross([b[0] - a[0], a[1] - b[1], scale * (b[2] - a[2])], [c[0] - a[0], a[1] - c[1], scale * (c[2] - a[2])]));
      if (light[2] < 0) light = light.map((v) => -v);
      const grey = Math.round(120 + 115 * Math.max(0, .35 * light[0] + .5 * light[1] + .79 * light[2]));
      shown.push([a[2] + b[2] + c[2], a, b, c, grey]);
    }
    shown.sort((p, q) => p[0] - q[0]);
    pen.clearRect(0, 0, canvas.width, canvas.height);
    for (const [, a, b, c, grey] of shown) {
      pen.fillStyle = pen.strokeStyle = `rgb(${grey},${grey},${grey})`;
      pen.beginPath(); pen.moveTo(a[0], a[1]); pen.lineTo(b[0], b[1]); pen.lineTo(c[0], c[1]); pen.closePath(); pen.fill(); pen.stroke();
    }
    pen.fillStyle = pen.strokeStyle = "#561d4f"; pen.lineWidth = 3; pen.font = "600 20px sans-serif";
    const top = add(net.foot, net.axis, net.length);
    if (picked("reverse")) arrow(net.foot, add(net.foot, net.axis, -reach), "axis");
    else arrow(top, add(top, net.axis, reach), "axis");
    const flat = net.flats[picked("flat") ?? 0];
    if (flat) {
      const edge = add(add(net.foot, net.axis, (flat.at[0] + flat.at[1]) / 2), flat.towards, flat.off);
      arrow(edge, add(edge, flat.towards, reach), "flat");
    }
    pen.lineWidth = 1;
    for (const [letter, point] of Object.entries(net.levels)) {
      const [x, y] = seen(point);
      pen.beginPath(); pen.arc(x, y, 6, 0, 7);
      pen.fillStyle = letter === picked("letter") ? "#561d4f" : "#fff"; pen.fill(); pen.stroke();
      pen.fillStyle = "#1d2530"; pen.fillText(letter, x + 11, y + 7);
    }
    canvas.dataset.turned = `${about.toFixed(2)} ${tip.toFixed(2)}`;
  };
  const by = (x, y) => { about += x; tip = Math.max(-1.57, Math.min(1.57, tip + y)); draw(); };
  const keys = { ArrowLeft: [-.15, 0], ArrowRight: [.15, 0], ArrowUp: [0, -.15], ArrowDown: [0, .15] };
  canvas.addEventListener("keydown", (e) => { if (keys[e.key]) { e.preventDefault(); by(...keys[e.key]); } });
  canvas.addEventListener("pointerdown", (e) => canvas.setPointerCapture(e.pointerId));
  canvas.addEventListener("pointermove", (e) => { if (e.buttons) by(e.movementX / 120, e.movementY / 120); });
  part.addEventListener("change", draw);
  draw();
}

// work that goes on: looked at twice a second, the screen is read anew at its end
for (const part of all("[data-job]")) {
  const bar = part.querySelector("progress"), now = part.querySelector(".now"), lines = part.querySelector(".lines");
  const look = async () => {
    try {
      const job = await (await fetch(part.dataset.job)).json();
      if (job.state !== "at work") return location.reload();
      bar.max = Math.max(job.total, 1);
      bar.value = job.done;
      now.textContent = job.total ? `${job.done} of ${job.total}${job.scan ? `, ${job.scan}` : ""}${job.left ? `; ${job.left} left` : ""}` : "Reading the files";
      lines.replaceChildren(...job.lines.map((line) => Object.assign(document.createElement("li"), { textContent: line })));
    } catch {
      now.textContent = "The desk does not answer. Start it again; what was measured is kept.";
    }
    setTimeout(look, 500);
  };
  setTimeout(look, 300);
}

// the sheet: only what was changed is sent
for (const form of all("[data-sheet]")) {
  const mark = (cell) => {
    const changed = cell.value !== cell.defaultValue;
    cell.classList.toggle("changed", changed);
    if (changed) cell.name = cell.dataset.name;
    else cell.removeAttribute("name");
  };
  form.addEventListener("change", (e) => {
    const fill = e.target.dataset.fill;
    if (e.target.dataset.column) mark(e.target);
    if (!fill) return;
    for (const cell of all("[data-column]", form)) {
      if (cell.dataset.column === fill && !cell.value) { cell.value = e.target.value; mark(cell); }
    }
  });
  form.addEventListener("keydown", (e) => {
    const column = e.target.dataset.column;
    if (e.key === "Enter" && e.target.dataset.fill) { e.preventDefault(); e.target.blur(); }
    if (!column || !["ArrowUp", "ArrowDown", "Enter"].includes(e.key)) return;
    e.preventDefault();
    const cells = all("[data-column]", form).filter((c) => c.dataset.column === column);
    cells[cells.indexOf(e.target) + (e.key === "ArrowUp" ? -1 : 1)]?.focus();
  });
}

// what was typed and not saved is not lost without a word
const typed = new Set();
for (const form of all("form.fields, [data-sheet]")) form.addEventListener("change", () => typed.add(form));
document.addEventListener("submit", (e) => typed.delete(e.target));
addEventListener("beforeunload", (e) => { if (typed.size) e.preventDefault(); });

// where a finding points to
const place = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
if (location.hash.includes(":") && !place && !location.search) location.search = "?all";
if (place) {
  place.closest("details")?.setAttribute("open", "");
  place.scrollIntoView({ block: "center" });
  if (place.matches("input, select")) place.focus();
}

// tables: sorted by a column's button, copied with tabs
for (const table of all(".sortable")) {
  const heads = all("thead th", table);
  heads.forEach((head, k) => head.querySelector("button").addEventListener("click", () => {
    const down = head.getAttribute("aria-sort") === "ascending", numeric = head.classList.contains("n");
    const value = (row) => row.children[k].textContent;
    const rows = all("tbody tr", table);
    rows.sort((a, b) => {
      const [x, y] = [value(a), value(b)];
      if (!x || !y) return !x - !y;
      const order = numeric ? x - y : x.localeCompare(y, "en", { numeric: true });
      return down ? -order : order;
    });
    table.tBodies[0].append(...rows);
    heads.forEach((one) => one.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
  }));
}
for (const button of all("[data-copy]")) {
  button.addEventListener("click", async () => {
    const rows = all(".sortable tr").map((r) => [...r.children].map((c) => c.textContent.trim()).join("\t"));
    await navigator.clipboard.writeText(rows.join("\n"));
    button.textContent = "Copied";
  });
}

// the bench: one temperature for the scans that follow
for (const field of all("[data-temperature]")) {
  field.value = sessionStorage.getItem("temperature") ?? "";
  document.addEventListener("submit", (e) => {
    sessionStorage.setItem("temperature", field.value);
    const own = e.target.querySelector("[name=temperature_c]");
    if (own) own.value = field.value;
  });
}
