package journal_test

import (
	"errors"
	"testing"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/journal"
)

func TestWithoutAJournalOnlyTheIndexPageMayBeChosen(t *testing.T) {
	k := journal.Keeper{NewPages: func() (*journal.Journal, error) {
		return journal.New(t.TempDir(), "pages", journal.Header{}), nil
	}}
	for n := nmra.CV(1); n <= nmra.MaxCV; n++ {
		c := cv.Register{CV: n}
		if k.Writing(c, 1) == nil {
			t.Errorf("register %v: written before its old value was kept", c)
		}
		if err := errors.Join(k.Held(cv.Values{c: 0}), k.Writing(c, 1)); (err == nil) != (c.CV == 31 || c.CV == 32) {
			t.Errorf("register %v: %v", c, err)
		}
	}
	if k.Wanted(cv.Values{{CV: 31}: 16}) == nil {
		t.Error("a plan was taken without a journal")
	}
}
