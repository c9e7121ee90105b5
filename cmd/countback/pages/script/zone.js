// The machine's own time zone is offered where a shop's is asked for.

const field = document.querySelector("input[data-zone]");
if (field && field.value === "") field.value = Intl.DateTimeFormat().resolvedOptions().timeZone ?? "";
