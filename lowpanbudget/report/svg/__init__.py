"""Pictures as SVG: text that can be read and selected, light and dark by the reader's choice, no script."""
