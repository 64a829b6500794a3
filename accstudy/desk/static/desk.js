"use strict";
const all = (css, from = document) => [...from.querySelectorAll(css)];

// files: brought one after the other, each refused or taken in words
for (const box of all("[data-upload]")) {
  const said = box.querySelector("[aria-live]"), input = box.querySelector("input");
  const bring = async (files) => {
    const wrong = [];
    let taken = 0;
    input.disabled = true;
    for (const file of files) {
      said.classList.remove("wrong");
      said.textContent = `${taken + wrong.length + 1} of ${files.length}: ${file.name}`;
      if (file.size > Number(box.dataset.most)) {
        wrong.push(`"${file.name}" has ${Math.round(file.size / 1e6)} MB; files of up to ${box.dataset.most / 1e6} MB are read`);
        continue;
      }
      const to = `${box.dataset.upload}?name=${encodeURIComponent(file.name)}&changed=${Math.round(file.lastModified)}`;
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
  fetch(part.dataset.load).then((r) => r.text()).then((text) => { part.innerHTML = text; });
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
      now.textContent = job.total ? `${job.done} of ${job.total}${job.scan ? `, ${job.scan}` : ""}${job.left ? `; ${job.left} left` : ""}` : "Reading";
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
let typed = false;
for (const form of all("form.fields, [data-sheet]")) form.addEventListener("change", () => { typed = true; });
document.addEventListener("submit", () => { typed = false; });
addEventListener("beforeunload", (e) => { if (typed) e.preventDefault(); });

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
