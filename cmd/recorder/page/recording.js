// Recording: every entry goes through record, which asks back where the ledger finds it unlikely, and shows what is wrong where it is refused.

import { el, fill } from "./element.js";
import { api, known, refresh } from "./ledger.js";

// record records facts, all or none. It returns what the ledger said, or null where the person wants to change something.
export async function record(facts) {
	return asked((sure) => api().record(facts, { sure }));
}

// takeBack takes an entry out of every figure, with a reason.
export async function takeBack(id, reason) {
	return asked(() => api().takeBack(id, reason));
}

async function asked(act) {
	let result;
	try {
		result = await act(false);
	} catch (e) {
		if (!e?.questions?.length) throw e;
		if (!(await confirmed(e.questions))) return null;
		result = await act(true);
	}
	// The entry stands, whatever becomes of what follows.
	refresh().catch(() => {});
	keep().catch(() => {});
	return result;
}

let askedToKeep = false;

// keep asks the browser not to clear this page's storage; browsers say yes more readily once something was done here.
async function keep() {
	if (askedToKeep) return;
	askedToKeep = true;
	await api().persist();
	await refresh();
}

// confirmed asks the questions that the ledger has about an entry.
function confirmed(questions) {
	return choose("Is that right?", questions, [["Yes, record it", true], ["No, change it", false]]);
}

// choose asks in a dialog; whoever closes it has chosen the last. extra, if given, stands before the last two choices.
export function choose(title, lines, choices, extra) {
	return new Promise((done) => {
		const last = choices.at(-1)[1];
		let chosen = last;
		const dialog = el("dialog", { "aria-labelledby": "asked" },
			el("h2", { id: "asked" }, title),
			...lines.map((l) => el("p", {}, l)),
			el("div", { class: "actions" }, ...choices.slice(0, extra ? -2 : undefined).map(answer)),
			extra ? [extra, el("div", { class: "actions" }, ...choices.slice(-2).map((c, i) => answer(c, i + 1)))] : null);
		function answer([text, value], i) {
			return el("button", { type: "button", class: i === 0 && !extra ? "main" : "", onclick: () => { chosen = value; dialog.close(); } }, text);
		}
		dialog.addEventListener("close", () => {
			dialog.remove();
			done(typeof chosen === "function" ? chosen() : chosen);
		});
		document.body.append(dialog);
		dialog.showModal();
	});
}

// trouble shows an error where the person looks: what is wrong, and what to do.
export function trouble(place, error) {
	const text = error?.message ?? String(error);
	fill(place, el("p", { class: "wrong", role: "alert" }, el("b", {}, "Not recorded. "), sentence(text), error?.hint ? " " + sentence(error.hint) : ""));
	place.scrollIntoView?.({ block: "nearest" });
}

export function sentence(text) {
	const s = String(text).trim();
	return s.charAt(0).toUpperCase() + s.slice(1) + (/[.?]$/.test(s) ? "" : ".");
}

// Why nothing can be recorded at the moment, "" where it can.
export function closed() {
	if (known.open?.state === "revoked") return "This phone was shut out of the shop. It shows what it knows and records nothing more. What isn't safe yet can be saved as a file, under About this phone.";
	if (known.locked) return "Another tab of this phone is open and records. Close it, or go on there.";
	return "";
}
