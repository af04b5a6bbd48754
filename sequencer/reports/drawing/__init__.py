"""Drawing by hand: SVG as text (`svg`), panels with axes (`panel`), charts with a legend (`chart`); no evaluation."""
