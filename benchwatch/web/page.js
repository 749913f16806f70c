"use strict";
// Keys go to the terminal as soon as the page is loaded, without a click.
const take_keys = () => document.querySelector(".xterm-helper-textarea")?.focus();
window.addEventListener("load", take_keys);
window.addEventListener("focus", take_keys);
