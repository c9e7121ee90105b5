// Joining a shop: the desk shows a code, the phone shows six digits, and they are compared at the desk.

import { camera, canScan } from "./camera.js";
import { el, fill } from "./element.js";
import { addressOf } from "./items.js";
import { api, known, watch } from "./ledger.js";
import { sentence } from "./recording.js";
import { state } from "./offline.js";

// welcomeScreen is what a phone shows that belongs to no shop yet.
export function welcomeScreen() {
	const link = el("input", { id: "link", type: "text", inputmode: "url", autocomplete: "off", autocapitalize: "off", spellcheck: "false" });
	const wrong = el("p", { role: "alert", class: "wrong" });
	const node = el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, "This phone belongs to no shop yet"),
		el("ol", {}, el("li", {}, "At the desk start ", el("code", {}, "countback serve"), ", and in a second window ", el("code", {}, "countback pair"), "."), el("li", {}, "Scan the code that it shows with the phone's camera" + (canScan() ? ", or here." : ".")), el("li", {}, "Compare the six digits.")),
		canScan() ? el("div", { class: "actions" }, el("button", { type: "button", class: "main", onclick: scan }, "Scan the desk's code")) : null,
		el("form", { class: "form", onsubmit: (e) => { e.preventDefault(); go(link.value); } }, el("label", { for: "link" }, canScan() ? "Or paste the line that the desk shows" : "Paste the line that the desk shows"), link, wrong, el("div", { class: "actions" }, el("button", {}, "Go on"))),
		trustWords());
	function go(text) {
		const to = addressOf(text.trim());
		if (!/^#(pair|recover)\//.test(to)) {
			wrong.textContent = "That isn't the desk's code. Paste the whole line that countback pair shows.";
			return;
		}
		const other = elsewhere(text);
		if (other) {
			wrong.replaceChildren(`This code belongs to another address. Open it there: `, el("a", { href: text.trim() }, other));
			return;
		}
		location.hash = to;
	}
	async function scan() {
		const code = await camera("Scan the desk's code");
		if (code) go(code);
	}
	return { node, title: "Join a shop" };
}

// waitingScreen is shown where the digits were right and the desk hasn't brought the ledger yet.
export function waitingScreen() {
	return {
		title: "Joining",
		node: el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, "This phone is joining"), el("p", { role: "status" }, "The desk is asked until it answers. Keep this page open, and countback serve running at the desk."),
			el("p", {}, "If the code has ended meanwhile, start countback pair there again and scan the new code."), trustWords()),
	};
}

// elsewhere is the place of a link that isn't this page's: what a phone records is kept for one address alone.
function elsewhere(text) {
	try {
		const url = new URL(text.trim());
		return url.origin === location.origin ? "" : url.host;
	} catch {
		return "";
	}
}

// joinScreen goes through the steps with a code.
export function joinScreen(word, code, pin) {
	const link = `${location.origin}/#${word}/${code}/${pin}`;
	const body = el("div", { class: "task" });
	const node = el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, word === "recover" ? "A desk asks for help" : "Join the shop"), body);
	history.replaceState(null, "", "#joining"); // the code is a secret, and stays in no history
	let over = false;

	function ask(problem) {
		if (word === "recover") return askRecovery(problem);
		if (known.open?.state === "member") {
			fill(body, el("p", {}, `This phone belongs to ${known.open.shop.name} already. Nothing has to be done.`), el("p", { class: "actions" }, el("a", { class: "button main", href: "#items" }, "To the items")));
			return;
		}
		const name = el("input", { id: "name", type: "text", autocomplete: "off", maxlength: "60", value: "Phone" });
		fill(body, problem ? el("p", { role: "alert", class: "wrong" }, problem) : null,
			el("form", { class: "form", onsubmit: (e) => { e.preventDefault(); if (name.value.trim()) join(name.value.trim()); } },
				el("label", { for: "name" }, "What is this phone called"), name, el("div", { class: "actions" }, el("button", { class: "main" }, "Show the digits"))), trustWords());
	}

	async function join(name) {
		fill(body, el("p", { role: "status" }, "The desk is being asked."));
		try {
			const { digits } = await api().pair(link, name);
			if (over) return;
			fill(body, el("p", {}, "Type these digits at the desk:"), el("p", { class: "digits", id: "digits" }, digits.slice(0, 3) + " " + digits.slice(3)),
				el("p", { role: "status" }, "They say that it is this phone that joins, and nobody in between. This page goes on by itself once the desk has them."));
		} catch (e) {
			ask(sentence(e?.message ?? e) + (e?.hint ? " " + sentence(e.hint) : ""));
		}
	}

	// askRecovery: a desk that was made from a hand-over file is made the keeper; its digits are typed here.
	function askRecovery(problem) {
		if (known.open?.state !== "member") {
			fill(body, el("p", {}, "This code is for a phone that belongs to the shop already. This one doesn't."));
			return;
		}
		fill(body, problem ? el("p", { role: "alert", class: "wrong" }, problem) : null,
			el("p", {}, `A new desk asks to become the keeper of ${known.open.shop.name}. Agree only if the old desk is lost.`),
			el("div", { class: "actions" }, el("button", { type: "button", class: "main", onclick: () => recover() }, "The old desk is lost"), el("a", { class: "button", href: "#items" }, "Leave it")));
	}

	async function recover() {
		fill(body, el("p", { role: "status" }, "The new desk is being asked."));
		try {
			await api().pair(link, "");
			typeDigits("");
		} catch (e) {
			askRecovery(sentence(e?.message ?? e));
		}
	}

	function typeDigits(problem) {
		const digits = el("input", { id: "digits", type: "text", inputmode: "numeric", autocomplete: "off", maxlength: "7" });
		fill(body, el("form", { class: "form", onsubmit: async (e) => {
			e.preventDefault();
			try {
				await api().endorse(digits.value.replace(/\D/g, ""));
				fill(body, el("p", {}, "The new desk is the keeper now."), el("p", { class: "actions" }, el("a", { class: "button main", href: "#items" }, "To the items")));
			} catch (fault) {
				if (fault?.kind !== "digits") return askRecovery(sentence(fault?.message ?? fault));
				typeDigits(sentence(fault.message) + (fault.hint ? " " + sentence(fault.hint) : ""));
			}
		} }, el("label", { for: "digits" }, "The six digits that the new desk shows"), digits, problem ? el("p", { role: "alert", class: "wrong" }, problem) : null, el("div", { class: "actions" }, el("button", { class: "main" }, "Make it the keeper"))));
		digits.focus();
	}

	ask();
	return {
		node, title: "Join the shop", busy: () => !over, leave: () => { over = true; },
		refused: (text) => { if (!over) ask(text); },
	};
}

// joinedScreen says what is good to do once, after joining.
export function joinedScreen() {
	return {
		title: "Joined",
		node: el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, `This phone belongs to ${known.open?.shop?.name ?? "the shop"} now`),
			el("p", {}, "Put this page on the home screen: in the browser's menu, under a heading such as “add to home screen” or “install”. Some phones clear what a page has kept after a week in which it wasn't opened, unless it stands there."),
			state.offline ? el("p", {}, "From now on it opens without a network, and without the desk.") : trustWords(),
			el("p", { class: "actions" }, el("a", { class: "button main", href: "#items" }, "To the items"))),
	};
}

// trustWords says how the desk's certificate is trusted, and what works without. A browser finds out after the page is drawn that it may not store it: the
// words unfold then.
export function trustWords() {
	const port = Number(location.port || 443) + 1;
	const so = el("p", {});
	const node = el("details", {}, el("summary", {}, "How this phone trusts the desk"),
		el("p", {}, "The desk makes its own certificate, because it has no name on the internet. A phone trusts it once it is installed:"),
		el("ol", {}, el("li", {}, "At the desk start ", el("code", {}, "countback pair"), ". While its code is open the desk also shows a page at ", el("code", {}, `http://${location.hostname}:${port}`), ". Open that on this phone."),
			el("li", {}, "Load the certificate there, and install it as a certificate authority in the phone's settings, under a heading such as security or profiles. Some phones ask in a second place whether to trust it fully."),
			el("li", {}, "Compare the fingerprint with the one on the desk's screen before you confirm."), el("li", {}, "Come back here and reload the page.")),
		so);
	let drawn;
	function draw() {
		if (drawn === state.untrusted) return;
		drawn = state.untrusted;
		so.textContent = drawn ? "This phone doesn't trust the desk yet. Where a warning was passed over, recording works as long as this page stays open, and entries are kept; but the page can't be opened again without the desk, and the browser may clear what it kept." :
			"Where it isn't trusted and a warning is passed over, recording works as long as the page stays open, but the page can't be opened again without the desk.";
		if (drawn) node.open = true;
	}
	draw();
	const stop = watch(() => node.isConnected ? draw() : stop());
	return node;
}
