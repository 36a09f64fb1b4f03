// Marks: the moment is kept at once; a note may follow and is a mark of its own.

import { setText } from "./dom.js";

/**
 * @param {(hook: string) => HTMLElement} find
 * @param {(text: string) => Promise<void>} send
 * @returns {{key: () => void, allow: (can: boolean) => void}}
 */
export function marking(find, send) {
  const button = /** @type {HTMLButtonElement} */ (find("mark"));
  const form = /** @type {HTMLFormElement} */ (find("note"));
  const said = find("note-said");
  const empty = find("log-empty");
  const text = /** @type {HTMLInputElement} */ (find("note-text"));
  /** @param {string} words */
  const put = async (words) => {
    try {
      await send(words);
      setText(said, words === "" ? "Marked." : "Note added.");
      return true;
    } catch (e) {
      setText(said, `Not marked: ${e instanceof Error ? e.message : String(e)}`);
      return false;
    }
  };
  // What was typed and not sent stays for the next time.
  const close = () => {
    form.hidden = true;
    button.focus();
  };
  const mark = () => {
    if (button.disabled) return false;
    form.hidden = false;
    setText(said, "Marking …");
    put("");
    return true;
  };
  button.addEventListener("click", () => {
    if (mark()) text.focus();
  });
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const words = text.value.trim();
    if (words !== "" && !(await put(words))) return;
    text.value = "";
    close();
  });
  find("note-close").addEventListener("click", close);
  form.addEventListener("keydown", (e) => {
    if (e.key === "Escape") close();
  });
  return {
    key() {
      // The note takes the keyboard once the key is up: its letter is no note.
      if (mark()) document.addEventListener("keyup", () => text.focus(), { once: true });
    },
    allow(can) {
      button.disabled = !can;
      setText(empty, can ? "None yet. Press M to mark a moment." : "None yet.");
    },
  };
}
