// What was recorded: said in words, with what is on hand now, and the way to take it back.

import { el, fill } from "./element.js";
import { itemOf, nameOf } from "./ledger.js";
import { choose, sentence, takeBack, trouble } from "./recording.js";
import { onHand } from "./words.js";

// said shows the result of a recording in place. next are the links that lead on: [text, address].
export function said(place, result, next) {
	const wrongs = el("div", {});
	const head = el("h2", { tabindex: "-1" }, "Recorded");
	const back = result.ids.length > 0 ? el("button", { type: "button", onclick: () => undo() }, result.ids.length === 1 ? "Take back" : `Take all ${result.ids.length} back`) : null;
	const figures = Object.entries(result.on_hand ?? {});
	const shown = figures.slice(0, 6);
	const node = el("section", { class: "said" }, head,
		...result.said.map((line) => el("p", {}, sentence(line))),
		shown.length > 0 ? el("dl", { class: "figures" }, ...shown.map(([item, qty]) => el("div", {}, el("dt", {}, nameOf(item) + ", on hand"), el("dd", { class: "answer" }, onHand(qty, itemOf(item)?.unit ?? "each"))))) : null,
		figures.length > shown.length ? el("p", { class: "small" }, `And ${figures.length - shown.length} items more.`) : null,
		wrongs,
		el("div", { class: "actions" }, ...next.map(([text, address, main]) => el("a", { class: main ? "button main" : "button", href: address }, text)), back));
	fill(place, node);
	head.focus();
	scrollTo(0, 0);

	async function undo() {
		try {
			const reason = await whyBack();
			if (reason === null) return;
			for (const id of result.ids.toReversed()) if (!(await takeBack(id, reason))) return;
			fill(node, el("h2", { tabindex: "-1" }, "Taken back"), el("p", {}, "It stays in the ledger with its reason, and counts in no figure."),
				el("div", { class: "actions" }, ...next.map(([text, address, main]) => el("a", { class: main ? "button main" : "button", href: address }, text))));
			node.querySelector("h2").focus();
		} catch (e) {
			trouble(wrongs, e);
		}
	}
}

// whyBack asks why an entry is taken back; null where it isn't after all.
export function whyBack() {
	const own = el("input", { type: "text", id: "own-reason", maxlength: "200", autocomplete: "off" });
	const typed = () => own.value.trim() || null;
	return choose("Why is it taken back?", [], [["Wrong number", "wrong number"], ["Wrong item", "wrong item"], ["Entered twice", "entered twice"], ["For another reason", typed], ["Leave it as it is", null]],
		el("div", {}, el("label", { for: "own-reason" }, "Another reason, if none of these"), own));
}
