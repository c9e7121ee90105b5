// The module with the ledger: compiled while it comes in, then it puts its functions on globalThis.countback.

import "./wasm_exec.js";

const coming = WebAssembly.compileStreaming(fetch("recorder.wasm"));

export async function run(ended) {
	const go = new Go();
	const instance = await WebAssembly.instantiate(await coming, go.importObject);
	go.run(instance).then(() => ended(new Error("the ledger's program has ended")), ended);
	const patience = 10000;
	for (const begun = Date.now(); !globalThis.countback?.open;) {
		if (Date.now() - begun > patience) throw new Error("the ledger's program doesn't start");
		await new Promise((r) => setTimeout(r, 5));
	}
}

// carry starts the worker with the bus.
export function carry(failed) {
	const worker = new Worker("carrier.js");
	worker.addEventListener("message", (e) => { if (e.data?.failed) failed(e.data.failed); });
	worker.addEventListener("error", () => failed("it doesn't start"));
	return worker;
}
