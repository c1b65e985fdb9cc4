// Before the first paint: the chosen theme, so that the page does not flash.
try {
  const chosen = localStorage.getItem("theme");
  if (chosen) document.documentElement.dataset.theme = chosen;
} catch { /* storage is closed to this page: the system's preference stands */ }
