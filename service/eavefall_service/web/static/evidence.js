// A photo's picture changes to where an answer came from, and back.

function toggle(button) {
  const picture = button.closest("article").querySelector(".frame img");
  picture.dataset.plain ||= picture.src;
  const on = button.getAttribute("aria-pressed") === "true";
  button.parentElement.querySelectorAll("[data-evidence]").forEach((each) => each.setAttribute("aria-pressed", "false"));
  button.setAttribute("aria-pressed", String(!on));
  picture.src = on ? picture.dataset.plain : button.dataset.evidence;
}

export function armEvidence(root) {
  for (const button of root.querySelectorAll("[data-evidence]")) button.addEventListener("click", () => toggle(button));
}
