// What a script says, in the page's language: the English text is the message's name; the page brings the rest.

const place = document.getElementById("messages");
const MESSAGES = place ? JSON.parse(place.textContent) : {};

// `{names}` in the message are filled from `named`.
export function tell(message, named = {}) {
  return (MESSAGES[message] || message).replace(/\{(\w+)\}/g, (_, name) => named[name]);
}
