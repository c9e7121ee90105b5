// The ledger on this phone: the WebAssembly module with its functions, and what the page knows of them.

export const known = {
	open: null, // what open() said
	items: [], // by recent use
	stock: new Map(), // item → its line of the stock report
	asOf: "",
	noStock: "", // why there are no figures
	standing: null,
	locked: false, // another tab records
};

const watchers = new Set();

// watch calls fn after each change of what is known, until the returned function is called.
export function watch(fn) {
	watchers.add(fn);
	return () => watchers.delete(fn);
}

export function tell() {
	for (const fn of [...watchers]) fn();
}

export function shop() {
	return known.open?.shop ?? {};
}

export function itemOf(id) {
	return known.items.find((i) => i.item === id);
}

export function nameOf(id) {
	return itemOf(id)?.name || id;
}

// api is the module's own object.
export function api() {
	return globalThis.countback;
}

// load brings what the page shows first; the fold of the ledger follows by itself.
export async function load() {
	known.open = await api().open();
	if (known.open.locked !== undefined) known.locked = known.open.locked;
	if (known.open.state !== "new") known.items = await api().items();
	tell();
}

let reading = null, again = false;

// refresh reads stock and standing anew; calls that come meanwhile are one more reading.
export async function refresh() {
	if (known.open?.state === "new" || !known.open) return;
	if (reading) {
		again = true;
		return reading;
	}
	reading = (async () => {
		do {
			again = false;
			const [open, items, standing] = await Promise.all([api().open(), api().items(), api().standing()]);
			known.open = open;
			known.items = items;
			known.standing = standing;
			tell();
			try {
				const stock = await api().stock();
				known.stock = new Map(stock.items.map((i) => [i.item, i]));
				known.asOf = stock.as_of;
				known.noStock = "";
			} catch (e) {
				known.noStock = e?.kind === "empty" ? "The shop's ledger is still on its way from the desk." : `What is on hand can't be worked out here: ${e?.message ?? e}.`;
			}
			tell();
		} while (again);
	})();
	try {
		await reading;
	} finally {
		reading = null;
	}
}

// listen hears what the module says.
export function listen(heard) {
	const on = (name, fn) => api().addEventListener(name, fn);
	on("changed", () => refresh().catch(heard.fault));
	on("standing", async () => {
		known.standing = await api().standing();
		tell();
	});
	on("locked", (e) => {
		known.locked = e?.detail?.locked ?? true;
		tell();
	});
	on("revoked", () => {
		known.open = { ...known.open, state: "revoked" };
		tell();
	});
	on("foreign", () => {
		known.open = { ...known.open, state: "foreign" };
		tell();
	});
	on("member", async () => {
		known.open = await api().open();
		tell();
	});
	on("paired", heard.paired);
	on("refused", heard.refused);
}
