  // Saving a table as CSV, defused for programs that take a leading sign for a formula
  const csvCell = (text) => {
    const safe = /^[=+\-@\t\r]/.test(text) ? `'${text}` : text;
    return /[",\n\r]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
  };
  const save = (name, rows) => {
    const link = document.createElement("a");
    const text = [...rows.map((row) => row.map(csvCell).join(",")), ""].join("\n");
    link.href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  };
