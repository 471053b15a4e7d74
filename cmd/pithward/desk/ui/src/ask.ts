// The page's one dialog.
import { element } from "./element";

const title = element("h2", { id: "dialog-title" });
const body = element("div", { id: "dialog-body" });
const yes = element("button", { id: "dialog-yes", type: "submit" }, "Take") as HTMLButtonElement;
const no = element("button", { id: "dialog-no", type: "button" }, "Cancel ", element("kbd", {}, "Esc"));
const form = element("form", { method: "dialog" }, title, body, element("p", { class: "actions" }, no, " ", yes));
const box = element("dialog", { id: "dialog", "aria-labelledby": "dialog-title" }, form) as HTMLDialogElement;
document.body.append(box);

no.addEventListener("click", () => box.close());

export const asking = () => box.open;

// show opens the dialog and answers whether it was taken.
export function show(words: string, content: Node[], take: string | null): Promise<boolean> {
  title.textContent = words;
  body.replaceChildren(...content);
  yes.hidden = take === null;
  yes.textContent = take ?? "";
  no.firstChild!.textContent = take === null ? "Close " : "Cancel ";
  box.returnValue = "";
  delete box.dataset.answered;
  return new Promise((resolve) => {
    const answer = () => {
      box.dataset.answered = "yes";
      resolve(box.returnValue === "yes");
    };
    box.addEventListener("close", answer, { once: true });
    yes.value = "yes";
    box.showModal();
    (body.querySelector<HTMLElement>("input, .choices button") ?? (take === null ? no : yes)).focus();
  });
}

// text asks for a line of text; null if it was not given.
export async function text(words: string, label: string, take: string, value = ""): Promise<string | null> {
  const input = document.createElement("input");
  input.value = value;
  input.maxLength = 1000;
  input.autocomplete = "off";
  return (await show(words, [labelled(label, input)], take)) ? input.value.trim() : null;
}

// choose asks for one of some words, by mouse, by arrows or by number; null if
// none was taken.
export async function choose(words: string, options: string[]): Promise<string | null> {
  let taken: string | null = null;
  const list = element("div", { class: "choices" });
  options.forEach((o, i) => {
    const b = element("button", { type: "button" }, element("kbd", {}, `${i + 1}`), ` ${o}`);
    b.addEventListener("click", () => {
      taken = o;
      box.close("yes");
    });
    list.append(b);
  });
  list.addEventListener("keydown", (e) => {
    const buttons = [...list.querySelectorAll("button")];
    const i = buttons.indexOf(document.activeElement as HTMLButtonElement);
    if (e.key === "ArrowDown") buttons[(i + 1) % buttons.length].focus();
    if (e.key === "ArrowUp") buttons[(i - 1 + buttons.length) % buttons.length].focus();
    buttons[parseInt(e.key, 10) - 1]?.click();
  });
  await show(words, [list], null);
  return taken;
}

function labelled(words: string, control: HTMLElement): HTMLLabelElement {
  const label = document.createElement("label");
  label.append(`${words} `, control);
  return label;
}
