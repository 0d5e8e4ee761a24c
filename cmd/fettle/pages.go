package main

import (
	"context"
	"errors"
	"fmt"

	"fettle/prog/journal"
)

// keepPages says how the journal of index pages is made.
func (v *visit) keepPages(ctx context.Context) {
	v.recorder.NewPages = func() (*journal.Journal, error) {
		return v.newJournal(ctx, "pages", "pages", "the choice of an index page")
	}
}

// leavePages puts back registers 31 and 32 after a job that had no batch, and adds to its error where that fails. Where they were not
// written and the job failed, it leaves a station that may have failed alone.
func (v *visit) leavePages(ctx context.Context, err error) error {
	pages := v.recorder.Pages
	if pages == nil && err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	restoring := v.Restore(context.WithoutCancel(ctx))
	switch {
	case pages == nil:
		return errors.Join(err, restoring)
	case restoring == nil:
		return errors.Join(err, pages.Discard())
	case err == nil:
		err = restoring
	}
	err = v.said(err)
	v.recorder.Begin(pages, false)
	return fmt.Errorf("%w%s", errors.Join(err, pages.Close()), v.advice(false))
}
