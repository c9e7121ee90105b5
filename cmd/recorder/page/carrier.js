// The worker with the bus: it carries entries to the desk and brings those of others. It is started after the page can be used.

importScripts("wasm_exec.js");

const go = new Go();
WebAssembly.instantiateStreaming(fetch("carrier.wasm"), go.importObject).then(({ instance }) => go.run(instance)).catch((e) => {
	postMessage({ failed: String(e?.message ?? e) });
});
