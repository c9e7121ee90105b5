// el makes an element: attributes, "on…" for listeners, a boolean for what is there or isn't; children are nodes, text, lists of them, or nothing.
export function el(name, attributes = {}, ...children) {
	const node = document.createElement(name);
	for (const [key, value] of Object.entries(attributes ?? {})) {
		if (value === undefined || value === null || value === false) continue;
		if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
		else if (key === "value" || key === "checked" || key === "disabled" || key === "hidden") node[key] = value;
		else node.setAttribute(key, value === true ? "" : String(value));
	}
	put(node, children);
	return node;
}

// put appends children.
export function put(node, ...children) {
	for (const child of children.flat(Infinity)) {
		if (child === null || child === undefined || child === false || child === "") continue;
		node.append(child);
	}
	return node;
}

// fill replaces what a node holds.
export function fill(node, ...children) {
	node.replaceChildren();
	return put(node, ...children);
}

// drawn is one of our own drawings; what it means is said in words beside it.
export function drawn(name) {
	const space = "http://www.w3.org/2000/svg";
	const svg = document.createElementNS(space, "svg");
	svg.setAttribute("aria-hidden", "true");
	svg.setAttribute("class", "drawn");
	const use = document.createElementNS(space, "use");
	use.setAttribute("href", "drawn.svg#" + name);
	svg.append(use);
	return svg;
}
