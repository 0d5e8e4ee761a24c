package browser

import (
	"context"
	"regexp"

	"github.com/chromedp/chromedp"
)

// PDF is what the page is when it is printed on A4 paper, unless it asks for another.
func (w *Window) PDF() []byte {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, patience)
	defer cancel()
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4), chromedp.PDFPreferCSSPageSize()))
	if err != nil {
		w.t.Fatalf("%s: print: %v", w.Shape.Name, err)
	}
	return pdf
}

// onePage is what each page of a PDF has; Chromium does not compress it. (ISO 32000-1, table 30: Type is Page.)
var onePage = regexp.MustCompile(`/Type\s*/Page\b[^s]`)

// Pages counts the pages of a PDF that Chromium has written.
func Pages(pdf []byte) int { return len(onePage.FindAll(pdf, -1)) }
