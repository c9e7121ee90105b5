// Remembering a barcode for an item: from the item, or from a code that no item has yet.

import { camera, canScan } from "./camera.js";
import { el, fill } from "./element.js";
import { checked, same } from "./gtin.js";
import { find, row } from "./items.js";
import { api, itemOf, known, refresh } from "./ledger.js";
import { closed, trouble } from "./recording.js";

// barcodeScreen takes a barcode for a known item.
export function barcodeScreen(id, scanned) {
	const item = itemOf(id);
	const wrongs = el("div", {});
	const field = el("input", { id: "barcode", type: "text", inputmode: "numeric", autocomplete: "off", value: scanned ?? "", oninput: draw });
	const verdict = el("p", { role: "status" });
	const button = el("button", { type: "button", class: "main", onclick: () => save() }, "Remember");
	const node = el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, "A barcode for " + (item?.name ?? id)),
		el("p", {}, "The number below the bars of the supplier's pack. Scanning it then finds this item." + (item?.barcode ? ` It takes the place of ${item.barcode}.` : "")),
		el("label", { for: "barcode" }, "Barcode"), field, verdict, wrongs,
		el("div", { class: "actions" }, button, canScan() ? el("button", { type: "button", onclick: scan }, "Scan") : null, el("a", { class: "button", href: "#about/" + encodeURIComponent(id) }, "Leave it")));

	function draw() {
		const text = field.value.trim();
		const other = known.items.find((i) => i.item !== id && same(i.barcode, text));
		const digits = /^\d{8,14}$/.test(text);
		verdict.textContent = closed() || (other ? `${other.name} has this barcode already.` : digits && !checked(text) ? "The last digit doesn't fit the others: one of them is wrong." : checked(text) ? "The check digit is right." : "");
		button.disabled = text === "" || !!other || digits && !checked(text) || !!closed();
	}

	async function scan() {
		const code = await camera("Scan the supplier's barcode");
		if (code) field.value = code;
		draw();
	}

	async function save() {
		try {
			await api().remember(id, field.value.trim());
			await refresh();
			fill(node, el("h1", { tabindex: "-1" }, "Remembered"), el("p", {}, `Scanning ${field.value.trim()} finds ${item.name} from now on.`), el("p", { class: "actions" }, el("a", { class: "button main", href: "#item/" + encodeURIComponent(id) }, "Record something")));
			node.querySelector("h1").focus();
		} catch (e) {
			trouble(wrongs, e);
		}
	}

	draw();
	return { node, title: "A barcode" };
}

// rememberScreen asks which item an unknown code belongs to.
export function rememberScreen(code) {
	const list = el("ul", { class: "lines" });
	const search = el("input", { type: "search", id: "search", placeholder: "Name or place", autocomplete: "off", oninput: draw });
	const node = el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, "No item has this code yet"),
		el("p", {}, "The code says ", el("b", { class: "code" }, code), ". Which item is it on?"), list,
		el("form", { class: "search", role: "search", onsubmit: (e) => e.preventDefault() }, el("label", { for: "search", class: "unseen" }, "Find an item"), search));
	function draw() {
		fill(list, find(search.value).slice(0, 40).map((i) => row(i, `#barcode/${encodeURIComponent(i.item)}/${encodeURIComponent(code)}`)));
	}
	draw();
	return { node, title: "Unknown code" };
}
