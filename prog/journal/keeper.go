package journal

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"fettle/nmra/cv"
)

// Keeper keeps things in the journal of the batch at hand, and remembers how far the batch came. It is a prog.Recorder for a whole stay of a
// decoder on the track. Without a batch nothing may be written but registers 31 and 32, which choose the index page that is read: they have
// a journal of their own, Pages, from the first write to when they are put back.
type Keeper struct {
	*Journal      // of the batch at hand; nil: there is none
	Planned  bool // the batch came so far that it has a plan
	Reopened bool // the journal was there before
	Wrote    bool // a register was about to be written, beside 31 and 32
	Turned   bool // they were, before there was a plan, to choose a page

	Pages    *Journal                 // nil: no page was turned to without a batch
	NewPages func() (*Journal, error) // makes Pages
	home     []string                 // what 31 and 32 held, as far as they were written to choose a page, in words
}

// Begin makes a journal that of the batch at hand. One that was reopened has a plan.
func (k *Keeper) Begin(j *Journal, reopened bool) {
	k.Journal, k.Planned, k.Reopened, k.Wrote = j, reopened, reopened, false
}

// Held is as [Journal.Held], in the journal of pages where there is no batch.
func (k *Keeper) Held(values cv.Values) error {
	if !k.Planned && len(values) == 1 {
		k.turning(values)
	}
	if k.Journal != nil {
		return k.Journal.Held(values)
	}
	if k.Pages == nil {
		j, err := k.NewPages()
		if err != nil {
			return err
		}
		k.Pages = j
	}
	return k.Pages.Held(values)
}

// turning remembers what chose the page before the first one was turned to.
func (k *Keeper) turning(values cv.Values) {
	for _, index := range []cv.Register{{CV: cv.IndexHigh}, {CV: cv.IndexLow}} {
		words := fmt.Sprintf("register %v held ", index)
		old, touched := values[index]
		if touched && !slices.ContainsFunc(k.home, func(s string) bool { return strings.HasPrefix(s, words) }) {
			k.home = append(k.home, fmt.Sprint(words, old))
		}
	}
}

// Home says what chose the index page before, in words; "" where nothing else does now.
func (k *Keeper) Home() string { return strings.Join(k.home, ", ") }

// Wanted is as [Journal.Wanted]. It fails without a batch.
func (k *Keeper) Wanted(values cv.Values) error {
	if k.Journal == nil {
		return errors.New("nothing may be written without a journal")
	}
	k.Planned = true
	return k.Journal.Wanted(values)
}

// Writing is as [Journal.Writing]. Without a batch it fails for all registers but 31 and 32.
func (k *Keeper) Writing(register cv.Register, value uint8) error {
	j, index := k.Journal, register.CV == cv.IndexHigh || register.CV == cv.IndexLow
	choosing := index && !k.Planned
	k.Turned, k.Wrote = k.Turned || choosing, k.Wrote || !choosing
	if j == nil {
		if !index {
			return fmt.Errorf("register %v may not be written without a journal", register)
		}
		j = k.Pages
	}
	if j == nil {
		return fmt.Errorf("register %v may not be written before its old value is kept", register)
	}
	return j.Writing(register, value)
}
