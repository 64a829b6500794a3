"""Result tables to PDF: sentences, figures and a page design, nothing recomputed."""
