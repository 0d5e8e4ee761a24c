package report

import (
	_ "embed" // the look
)

// Look is the style sheet of the page of evidence, in CSS: palette, type, tables, links and focus, for light, dark and paper. The bench in the
// browser has the same look.
//
//go:embed look.css
var Look string
