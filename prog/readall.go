package prog

import (
	"context"
	"errors"
	"maps"
	"slices"
	"time"

	"fettle/nmra/cv"
)

const (
	// mostUnanswered is after how many absent registers without a sign that the decoder keeps up it is asked for what it is
	// known to hold.
	mostUnanswered = 48

	// everySoFar is after how much airtime the caller is told what has been read so far, so that little is lost where it is stopped.
	everySoFar = 2 * time.Second
)

// pending is a register that has been asked, but whose reading is good only once the noise of the track is known well enough.
type pending struct {
	reading Reading
	hint    Hint
	prior   *chances
	doubt   doubt
}

// batch reads registers one after the other, with less airtime than a [Session.Read] of each: as long as little is known of the
// track's noise, it is put off how often each has to be asked.
type batch struct {
	*Session
	counts  float64 // careful or quick
	read    map[cv.Register]Reading
	waiting []pending
	heard   int  // so many of waiting are from before the decoder was last known to keep up
	silent  int  // absent registers since then
	at      pace // at which it kept up then
}

// readAll reads registers in the order in which they are given. likely says what they may hold. counts is careful or quick. soFar
// is told now and then, and when it ends or is stopped, all that is good by then; it may be nil.
func (s *Session) readAll(ctx context.Context, doing string, rs []cv.Register, likely cv.Values, counts float64,
	soFar func(map[cv.Register]Reading) error) (map[cv.Register]Reading, error) {
	b := &batch{Session: s, counts: counts, read: map[cv.Register]Reading{}, at: s.pace}
	if soFar == nil {
		soFar = func(map[cv.Register]Reading) error { return nil }
	}
	err := b.each(ctx, doing, rs, likely, soFar)
	if err == nil {
		err = b.control(ctx)
	}
	if err == nil {
		err = b.finish(ctx)
	}
	if err == nil {
		// Asking again may have turned a page. What is all read has been put back, so that nothing is left to do for who stops here.
		if err = s.Restore(ctx); err != nil {
			delete(b.read, indexHigh)
			delete(b.read, indexLow)
		}
	}
	if err != nil {
		return nil, errors.Join(err, soFar(b.good()))
	}
	s.progress(doing, len(rs), len(rs))
	return b.read, soFar(b.read)
}

// each asks for all registers, one after the other.
func (b *batch) each(ctx context.Context, doing string, rs []cv.Register, likely cv.Values,
	soFar func(map[cv.Register]Reading) error) error {
	told := b.tally.Airtime
	for n, r := range rs {
		b.progress(doing, n, len(rs))
		hint := b.hint(r)
		if v, ok := likely[r]; ok {
			hint = Hint{Values: []uint8{v}}
		}
		if err := b.ask(ctx, r, hint); err != nil {
			return err
		}
		if b.silent >= mostUnanswered || b.pace != b.at {
			if err := b.hear(ctx); err != nil {
				return err
			}
		}
		if b.tally.Airtime-told >= everySoFar {
			if err := soFar(b.good()); err != nil {
				return err
			}
			told = b.tally.Airtime
		}
	}
	return nil
}

// ask asks for one register until it would be proven if the noise is as it is likely to be.
func (b *batch) ask(ctx context.Context, r cv.Register, hint Hint) error {
	got, done, err := b.already(ctx, r)
	if err == nil && !done && (r == indexHigh || r == indexLow) { // by the end they may hold another page
		got, err = b.prove(ctx, r, hint)
		done = true
	}
	if err != nil {
		return err
	}
	if done {
		b.read[r] = got
		return nil
	}
	if hint, err = b.suggest(ctx, r, hint); err != nil {
		return err
	}
	w := pending{hint: hint, prior: b.expect(r, hint)}
	b.belief.expect(w.prior, &b.noise)
	onward := b.onward
	h, ok, err := b.settle(ctx, b.mode, r.CV, (*belief).provisional)
	if err != nil {
		return err
	}
	if !ok {
		b.read[r] = Reading{Register: r}
		return nil
	}
	w.doubt = b.belief.doubt(h)
	w.reading = b.found(r, hint, h)
	delete(b.held, r)
	b.waiting = append(b.waiting, w)
	if w.reading.State == Proven {
		if b.pace != follow || b.onward > onward {
			b.heard, b.silent = len(b.waiting), 0
		}
		return nil
	}
	b.silent++
	return nil
}

// hear makes sure that the decoder still keeps up. If it has to be asked slower from now on, the registers that were silent
// since it was known to are asked again.
func (b *batch) hear(ctx context.Context) error {
	if _, err := b.present(ctx); err != nil {
		return err
	}
	var again []pending
	if b.pace != b.at {
		since := slices.Clone(b.waiting[b.heard:])
		b.waiting = b.waiting[:b.heard]
		for _, w := range since {
			if w.reading.State == Proven {
				b.waiting = append(b.waiting, w)
				continue
			}
			b.knowledge.unlearn(w.reading.Register)
			again = append(again, w)
		}
	}
	b.heard, b.silent, b.at = len(b.waiting), 0, b.pace
	for _, w := range again {
		if err := b.ask(ctx, w.reading.Register, w.hint); err != nil {
			return err
		}
	}
	return nil
}

// doubtOf is the doubt in what waits, as it looks by now: a register that was taken to be absent since those before it are is
// another matter once the one after it is there.
func (b *batch) doubtOf(w *pending) doubt {
	next, ok := b.knowledge.back(w.reading.Register, -1)
	if w.reading.State != Absent || !ok || next == absent || w.hint.Absent {
		return w.doubt
	}
	was := w.prior[absent]
	return w.doubt.scaled((1 - besidePresent) / besidePresent * was / (1 - was))
}

// certain says whether what waits is good as it is.
func (b *batch) certain(w *pending) bool {
	d := b.doubtOf(w)
	return d.within(b.bound, &b.noise, b.counts)
}

// good is all that has been read for certain by now. Registers that were silent since the decoder was last known to keep up are
// not: it may be gone. Nor is the last before: the one after it may speak against it.
func (b *batch) good() map[cv.Register]Reading {
	all := maps.Clone(b.read)
	if b.noise.beyond() >= hopeless {
		return all
	}
	for n, w := range b.waiting {
		if w.reading.State == Absent && n >= b.heard-1 {
			continue
		}
		if b.certain(&w) {
			all[w.reading.Register] = w.reading
		}
	}
	return all
}

// control asks for what the decoder is known to hold, and for the opposite: it shows that there still is a decoder, and how
// noisy the track is. One such question says as much of the noise as one to each register that waits for it, so it goes on while
// that is less than asking each of them again.
func (b *batch) control(ctx context.Context) error {
	if len(b.waiting) == 0 {
		return nil
	}
	if err := b.hear(ctx); err != nil {
		return err
	}
	for asked := 0; ; asked += 8 {
		values, absences := 0, 0
		for _, w := range b.waiting {
			d := b.doubtOf(&w)
			switch {
			case d.within(b.bound, &b.noise, b.counts):
			case !d.under(b.bound, &b.noise, likely): // however well the noise is known, it has to be asked again
			case w.reading.State == Absent:
				absences++
			default:
				values++
			}
		}
		if asked >= values+absences {
			return nil
		}
		// An acknowledgement that should come says how many are lost, silence how many come from nowhere.
		if err := b.known(ctx, values > absences); err != nil {
			return err
		}
	}
}

// finish takes what is good as it is, and asks again for the rest until it is proven.
func (b *batch) finish(ctx context.Context) error {
	vouched, err := b.vouch(ctx)
	if err != nil {
		return err
	}
	var again []pending
	for _, w := range b.waiting {
		if !vouched {
			b.read[w.reading.Register] = Reading{Register: w.reading.Register}
			continue
		}
		if !b.certain(&w) {
			again = append(again, w)
			continue
		}
		w.reading.Wrong = w.doubt.average(&b.noise)
		if w.reading.State == Proven {
			b.held[w.reading.Register] = w.reading.Value
		}
		b.read[w.reading.Register] = w.reading
	}
	for _, w := range again {
		r, h := w.reading.Register, int(w.reading.Value)
		if w.reading.State == Absent {
			h = absent
		}
		got, done, err := b.already(ctx, r)
		if err == nil && !done {
			d := b.doubtOf(&w)
			b.belief.reopen(w.prior, h, &d, &b.noise)
			got, err = b.conclude(ctx, r, w.hint)
		}
		if err != nil {
			return err
		}
		b.read[r] = got
	}
	return nil
}
