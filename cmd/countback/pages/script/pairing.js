// While a code is open the page looks again by itself how far it has come. A form that somebody types into stays.

const seconds = 1000;

async function look() {
  const old = document.querySelector("[data-poll]");
  if (!old || ["joined", "ended"].includes(old.dataset.poll)) return;
  try {
    const answer = await fetch(location.href, { cache: "no-store" });
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("[data-poll]");
    if (fresh && fresh.dataset.poll !== old.dataset.poll) {
      old.replaceWith(document.importNode(fresh, true));
      document.querySelector("[data-poll] input[autofocus]")?.focus();
    }
  } catch {
    // The desk may be busy or stopped; the next look says.
  }
  setTimeout(look, seconds);
}

setTimeout(look, seconds);
