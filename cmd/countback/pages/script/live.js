// Regions with an id and data-live follow the ledger: when its look changes the page is fetched again and those regions are replaced. What a person is typing into is left alone.

const status = document.getElementById("arrived");
let version = document.body.dataset.version;
let running = false;
let again = false;
const last = new Map(); // what each region was fetched as: the one that stands has been sorted, stacked or scrolled since

async function renew() {
  if (running) {
    again = true;
    return;
  }
  running = true;
  try {
    const answer = await fetch(location.href, { headers: { "X-Live": "1" }, cache: "no-store" });
    if (!answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    version = fresh.body.dataset.version;
    for (const old of document.querySelectorAll("[data-live][id]")) {
      const next = fresh.getElementById(old.id);
      if (!next || old.contains(document.activeElement) && document.activeElement.matches("input, select, textarea")) continue;
      if (next.outerHTML === (last.get(old.id) ?? old.outerHTML)) continue;
      last.set(old.id, next.outerHTML);
      old.replaceWith(document.importNode(next, true));
    }
    document.dispatchEvent(new CustomEvent("renewed"));
  } finally {
    running = false;
    if (again) {
      again = false;
      renew();
    }
  }
}

if (document.querySelector("[data-live]")) {
  const stream = new EventSource("/live");
  stream.addEventListener("look", (e) => {
    if (e.data !== "0" && e.data !== version) renew();
  });
  stream.addEventListener("again", () => renew());
  stream.addEventListener("arrived", (e) => {
    const news = JSON.parse(e.data);
    if (status && news.text) status.textContent = news.text;
    for (const [item, figure] of Object.entries(news.on_hand ?? {})) {
      for (const at of document.querySelectorAll(`[data-stock="${CSS.escape(item)}"]`)) at.textContent = figure;
    }
  });
}
