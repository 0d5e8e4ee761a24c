package report

import (
	"context"
	"io"
	"time"
)

// Made says by what, and when, a page is made.
type Made struct {
	Version string    // of the program
	When    time.Time // shown in UTC
}

// WriteHTML writes the page of one folder, or of several side by side: one file that loads nothing and needs no script. The same folders and
// the same Made always give the same bytes. Names may hold anything. Errors are those of w.
func WriteHTML(w io.Writer, folders []Folder, made Made) error { panic("not built yet") }

// WritePDF prints a page that WriteHTML has written to the file page, on A4 paper, to the file pdf, by Debian's Chromium or another of its kind
// on the machine. Errors: [ErrNoBrowser]; what the browser said; those of the file.
func WritePDF(ctx context.Context, page, pdf string) error { panic("not built yet") }
