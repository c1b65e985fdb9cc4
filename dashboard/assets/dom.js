// Making and refilling elements.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

export const el = (tag, attributes = {}, ...children) => fill(document.createElement(tag), attributes, children);
export const svg = (tag, attributes = {}, ...children) => fill(document.createElementNS(SVG, tag), attributes, children);

export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

export function setClass(node, name) {
  if (node.getAttribute("class") !== name) node.setAttribute("class", name);
}

// Rebuild a place only when what it shows has changed, and keep the focus where it was.
export function refill(place, shown, build) {
  const key = JSON.stringify(shown);
  if (place.dataset.shown === key) return;
  place.dataset.shown = key;
  const focused = place.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  place.replaceChildren(...[build()].flat().filter(Boolean));
  if (focused) place.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
}

export function whenThere(selector, then) {
  const found = document.querySelector(selector);
  if (found) return then(found);
  const watcher = new MutationObserver(() => {
    const node = document.querySelector(selector);
    if (!node) return;
    watcher.disconnect();
    then(node);
  });
  watcher.observe(document.documentElement, { childList: true, subtree: true });
}
