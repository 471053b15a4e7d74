// element makes an element with attributes and content.
export function element(name: string, attributes: Record<string, string>, ...content: (Node | string)[]): HTMLElement {
  const e = document.createElement(name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  e.append(...content.filter((c) => c !== ""));
  return e;
}

export function byId<T extends HTMLElement>(id: string): T {
  const e = document.getElementById(id);
  if (!e) throw new Error(`the page has no ${id}`);
  return e as T;
}
