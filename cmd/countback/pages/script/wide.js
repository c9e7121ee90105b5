// What is wider than the screen and holds nothing that can be reached with the keys can be scrolled with them all the same.

function reach() {
  for (const box of document.querySelectorAll(".wide, .k-scroll")) {
    if (box.scrollWidth > box.clientWidth && !box.querySelector("a, button, input, select")) box.tabIndex = 0;
  }
}

reach();
addEventListener("resize", reach);
document.addEventListener("renewed", reach);
