"""One self-contained HTML file to explore a study; the PDF is the record."""
