package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fettle/nmra/cv"
	"fettle/prog/journal"
)

// recorder keeps things in the journal of the batch at hand. Without one nothing may be written but registers 31 and 32, which choose the
// index page that is read: they have a journal of their own, from the first write to when they are put back.
type recorder struct {
	*journal.Journal
	planned  bool // the batch came so far that it has a plan
	reopened bool // the journal was there before this command
	wrote    bool // a register was about to be written, beside 31 and 32
	turned   bool // they were, before there was a plan, to choose a page

	pages    *journal.Journal
	newPages func() (*journal.Journal, error)
	home     []string // what 31 and 32 held, as far as they were written to choose a page, in words
}

// begin makes a journal that of the batch at hand.
func (r *recorder) begin(j *journal.Journal, reopened bool) {
	r.Journal, r.planned, r.reopened, r.wrote = j, false, reopened, reopened
}

func (r *recorder) Held(values cv.Values) error {
	if !r.planned && len(values) == 1 {
		r.turning(values)
	}
	if r.Journal != nil {
		return r.Journal.Held(values)
	}
	if r.pages == nil {
		j, err := r.newPages()
		if err != nil {
			return err
		}
		r.pages = j
	}
	return r.pages.Held(values)
}

// turning remembers what chose the page before the first one was turned to.
func (r *recorder) turning(values cv.Values) {
	for _, index := range []cv.Register{{CV: cv.IndexHigh}, {CV: cv.IndexLow}} {
		words := fmt.Sprintf("register %v held ", index)
		old, touched := values[index]
		if touched && !slices.ContainsFunc(r.home, func(s string) bool { return strings.HasPrefix(s, words) }) {
			r.home = append(r.home, fmt.Sprint(words, old))
		}
	}
}

// homeWords say what chose the index page before, in a line of advice; "" where nothing else does now.
func (r *recorder) homeWords() string {
	if r.home == nil {
		return ""
	}
	return "\nbefore:      " + strings.Join(r.home, ", ")
}

func (r *recorder) Wanted(values cv.Values) error {
	if r.Journal == nil {
		return errors.New("nothing may be written without a journal")
	}
	r.planned = true
	return r.Journal.Wanted(values)
}

func (r *recorder) Writing(register cv.Register, value uint8) error {
	j, index := r.Journal, register.CV == cv.IndexHigh || register.CV == cv.IndexLow
	choosing := index && !r.planned
	r.turned, r.wrote = r.turned || choosing, r.wrote || !choosing
	if j == nil {
		if !index {
			return fmt.Errorf("register %v may not be written without a journal", register)
		}
		j = r.pages
	}
	if j == nil {
		return fmt.Errorf("register %v may not be written before its old value is kept", register)
	}
	return j.Writing(register, value)
}

// keepPages says how the journal of index pages is made.
func (v *visit) keepPages(ctx context.Context) {
	v.recorder.newPages = func() (*journal.Journal, error) {
		return v.newJournal(ctx, "pages", "pages", "the choice of an index page")
	}
}

// leavePages puts back registers 31 and 32 after a job that had no batch, and adds to its error where that fails. Where they were not
// written and the job failed, it leaves a station that may have failed alone.
func (v *visit) leavePages(ctx context.Context, err error) error {
	pages := v.recorder.pages
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
	v.recorder.begin(pages, false)
	return fmt.Errorf("%w%s", errors.Join(err, pages.Close()), v.advice(false))
}
