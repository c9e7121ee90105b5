// On a phone a table that is wider than the screen says its rows below each other, each figure with the head of its column. What is wider all the same, and holds
// nothing that can be reached with the keys, can be scrolled with them.

const phone = matchMedia("(max-width: 40rem)");

function stack(table) {
  const heads = [...(table.tHead?.rows[0]?.cells ?? [])].flatMap((h) => Array(h.colSpan).fill(h.textContent.trim()));
  for (const row of table.rows) {
    if (row.parentElement === table.tHead) continue;
    let at = 0;
    for (const cell of row.cells) {
      if (at > 0 && cell.tagName === "TD" && cell.textContent.trim() !== "" && heads[at]) cell.dataset.l = heads[at];
      at += cell.colSpan;
    }
  }
  table.classList.add("flow", "stacked");
}

function reach() {
  for (const box of document.querySelectorAll(".wide, .k-scroll")) {
    if (phone.matches && box.scrollWidth > box.clientWidth && box.matches(".wide:not(.roll)")) box.querySelectorAll("table:not(.flow)").forEach(stack);
    if (box.scrollWidth > box.clientWidth && !box.querySelector("a, button, input, select")) box.tabIndex = 0;
  }
}

reach();
addEventListener("resize", reach);
document.addEventListener("renewed", reach);
