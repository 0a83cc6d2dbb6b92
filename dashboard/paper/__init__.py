"""What all papers and self-contained pages share: colours, page template, style sheet, typesetting."""
