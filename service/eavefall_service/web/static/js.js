// Runs before the page is drawn, so that nothing meant for script-free browsers flashes up.
document.documentElement.classList.add("js");
