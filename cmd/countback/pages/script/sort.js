// Tables of the class sortable are sorted by the head that is pressed: figures by their value, the rest by its text.

function value(row, at) {
  const cell = row.cells[at];
  return cell.dataset.value ?? cell.textContent.trim();
}

function compare(a, b) {
  const x = Number(a.replaceAll(",", "").replace("−", "-"));
  const y = Number(b.replaceAll(",", "").replace("−", "-"));
  if (a !== "" && b !== "" && !Number.isNaN(x) && !Number.isNaN(y)) return x - y;
  return a.localeCompare(b, undefined, { numeric: true });
}

function sort(table, head) {
  const at = head.cellIndex;
  const up = head.getAttribute("aria-sort") !== "ascending";
  for (const th of head.parentElement.cells) th.removeAttribute("aria-sort");
  head.setAttribute("aria-sort", up ? "ascending" : "descending");
  const rows = [...table.tBodies[0].rows];
  rows.sort((a, b) => (up ? 1 : -1) * compare(value(a, at), value(b, at)));
  table.tBodies[0].append(...rows);
}

function prepare() {
  for (const head of document.querySelectorAll("table.sortable thead th")) {
    if (head.querySelector("button") || head.textContent.trim() === "") continue;
    const press = document.createElement("button");
    press.type = "button";
    press.className = "sort";
    press.append(...head.childNodes);
    head.append(press);
    press.addEventListener("click", () => sort(head.closest("table"), head));
  }
}

prepare();
document.addEventListener("renewed", prepare);
