// Forms work without this. With it an item's own packs and measures are offered as soon as it is named, rows come as they are needed, and a spec shows what it would change.

const items = new Map();
for (const o of document.querySelectorAll("#list-items option")) {
  items.set(o.value, { name: o.getAttribute("label"), ways: (o.dataset.in || "").split("|").map((w) => w.split(/=(.*)/s)) });
}

// named shows an item's name and what it can be counted in.
function named(field) {
  const item = items.get(field.value.trim());
  const name = field.parentElement.querySelector("output.name");
  if (name) name.textContent = item ? item.name : "";
  const row = field.closest("[data-row]") || field.closest(".fields");
  const select = row && row.querySelector('select[name$=".in"], select[name="in"]');
  if (!select) return;
  const chosen = select.value;
  const ways = item ? item.ways : [["", "pieces"]];
  select.replaceChildren(...ways.map(([value, label]) => new Option(label, value, false, value === chosen)));
}

// grow puts an empty row behind the last one that has something in it.
function grow(table) {
  const rows = [...table.querySelectorAll(":scope > tbody > tr")];
  const last = rows[rows.length - 1];
  if (!last || ![...last.querySelectorAll("input[type=text]")].some((i) => i.value.trim() !== "")) return;
  const list = table.dataset.rows;
  const next = last.cloneNode(true);
  const from = `${list}[${rows.length - 1}].`;
  const to = `${list}[${rows.length}].`;
  next.dataset.row = `${list}[${rows.length}]`;
  for (const e of next.querySelectorAll("[name], [id], [for], [aria-describedby]")) {
    for (const a of ["name", "id", "for"]) {
      const v = e.getAttribute(a);
      if (v && v.startsWith(from)) e.setAttribute(a, to + v.slice(from.length));
    }
    e.removeAttribute("aria-describedby");
    e.removeAttribute("aria-invalid");
  }
  for (const e of next.querySelectorAll(".fault")) e.remove();
  for (const e of next.querySelectorAll(".wrong")) e.classList.remove("wrong");
  for (const e of next.querySelectorAll("output.name")) e.textContent = "";
  for (const i of next.querySelectorAll("input")) {
    if (i.type === "checkbox") i.checked = false;
    else i.value = "";
  }
  for (const s of next.querySelectorAll("select")) {
    const per = s.name.endsWith(".per") || s.name.endsWith(".condition");
    s.value = per ? last.querySelector(`[name="${CSS.escape(from)}${s.name.slice(to.length)}"]`)?.value ?? s.value : "";
    if (s.selectedIndex < 0) s.selectedIndex = 0;
  }
  last.after(next);
}

// line repeats what it would change where the buttons are, which stay in sight.
function line() {
  const at = document.getElementById("preview-line");
  const lead = document.querySelector("#preview .each") || document.querySelector("#preview p");
  if (at && lead) at.textContent = lead.textContent;
}
line();

let waiting;
let turn = 0;
async function preview(form) {
  const mine = ++turn;
  const region = document.getElementById("preview");
  if (!region) return;
  const data = new URLSearchParams(new FormData(form));
  data.set("preview", "yes");
  region.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(form.dataset.preview, { method: "POST", body: data });
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("preview");
    if (mine !== turn) return; // something was typed meanwhile
    if (fresh) region.replaceChildren(...[...fresh.childNodes].map((n) => document.importNode(n, true)));
    line();
  } finally {
    region.removeAttribute("aria-busy");
  }
}

document.addEventListener("input", (e) => {
  const field = e.target;
  if (field.matches("input[data-item]")) named(field);
  const table = field.closest("table.rows");
  if (table) grow(table);
  const form = field.closest("form[data-preview]");
  if (form) {
    clearTimeout(waiting);
    waiting = setTimeout(() => preview(form), 350);
  }
});

const late = document.querySelector("#preview[data-soon]");
if (late) preview(document.querySelector("form[data-preview]"));

const faults = document.getElementById("faults") || document.getElementById("meanwhile") || document.getElementById("questions");
if (faults) {
  const wrong = document.querySelector("[aria-invalid=true]");
  if (wrong) wrong.focus();
  else faults.focus();
}

// What is dropped onto the page is the file to take in.
const drop = document.querySelector("[data-drop]");
if (drop) {
  const input = drop.querySelector("input[type=file]");
  for (const name of ["dragenter", "dragover"]) {
    drop.addEventListener(name, (e) => {
      e.preventDefault();
      drop.classList.add("over");
    });
  }
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (e) => {
    e.preventDefault();
    drop.classList.remove("over");
    if (e.dataTransfer.files.length > 0) {
      input.files = e.dataTransfer.files;
      input.dispatchEvent(new Event("change", { bubbles: true }));
    }
  });
  input.addEventListener("change", () => {
    const name = drop.querySelector("[data-name]");
    if (name && input.files.length > 0) name.textContent = input.files[0].name;
  });
}
