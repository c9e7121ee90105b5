// Scanning with the phone's camera, where the browser can read codes (BarcodeDetector). Elsewhere codes are typed.

import { el, fill } from "./element.js";

const formats = ["qr_code", "ean_13", "ean_8", "upc_a", "upc_e", "itf", "code_128"];

export function canScan() {
	return "BarcodeDetector" in globalThis && !!navigator.mediaDevices?.getUserMedia;
}

// camera shows what the camera sees until a code is read; null where the person gives up. What can't be scanned can be typed there.
export function camera(title) {
	return new Promise((done) => {
		let stream = null, over = false, code = null;
		const video = el("video", { playsinline: true, muted: true, "aria-label": "What the camera sees" });
		const words = el("p", { role: "status" }, "Hold the code into the picture.");
		const light = el("button", { type: "button", hidden: true, "aria-pressed": "false" }, "Light");
		const typed = el("input", { type: "text", id: "typed-code", autocomplete: "off", autocapitalize: "off", inputmode: "text" });
		const dialog = el("dialog", { class: "camera", "aria-labelledby": "camera-title" },
			el("h2", { id: "camera-title" }, title), video, words,
			el("form", { method: "dialog", onsubmit: () => { code = typed.value.trim() || null; } },
				el("label", { for: "typed-code" }, "Or type the number below the bars"), typed,
				el("div", { class: "actions" }, el("button", { class: "main" }, "Take this number"), light, el("button", { type: "button", onclick: () => dialog.close() }, "Close"))));
		dialog.addEventListener("close", () => {
			over = true;
			for (const track of stream?.getTracks() ?? []) track.stop();
			dialog.remove();
			done(code);
		});
		document.body.append(dialog);
		dialog.showModal();
		see().catch((e) => fill(words, e?.name === "NotAllowedError" ? "The camera isn't allowed for this page. Allow it in the browser's settings, or type the number." : "The camera can't be used. Type the number instead."));

		async function see() {
			const known = await BarcodeDetector.getSupportedFormats();
			const detector = new BarcodeDetector({ formats: formats.filter((f) => known.includes(f)) });
			stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
			if (over) return stream.getTracks().forEach((t) => t.stop());
			video.srcObject = stream;
			await video.play();
			lamp(stream.getVideoTracks()[0]);
			while (!over) {
				const found = await detector.detect(video).catch(() => []);
				if (found.length > 0 && !over) {
					code = found[0].rawValue;
					navigator.vibrate?.(40);
					dialog.close();
					return;
				}
				await new Promise((r) => setTimeout(r, 120));
			}
		}

		// lamp offers the phone's light, where it can be switched.
		function lamp(track) {
			if (!track.getCapabilities?.().torch) return;
			light.hidden = false;
			light.addEventListener("click", () => {
				const on = light.getAttribute("aria-pressed") !== "true";
				track.applyConstraints({ advanced: [{ torch: on }] }).then(() => light.setAttribute("aria-pressed", String(on)), () => { light.hidden = true; });
			});
		}
	});
}
