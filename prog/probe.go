package prog

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/regset"
	"fettle/prog/sheet"
)

// Probe finds out, by writing and restoring, which registers of a decoder can be written, which of their bits change, and within which
// limits. It writes to each register in turn and puts its old value back before the next one.
type Probe struct {
	Decoder   regset.Guard  // any other is refused
	Registers []cv.Register // [Spared] ones are left alone
	Likely    cv.Values     // what they may hold, asked first; may be nil

	// Found, where it is set, is told of each register when its old value is back. If it fails, the probe stops.
	Found func(Probed) error
}

// Probed is what came of probing one register.
type Probed struct {
	sheet.Finding
	Before  Reading
	Changes bool   // it changes by itself, and was not written to
	Writes  int    // that were acknowledged or changed something: what is stored wears with each
	Note    string // in words, what Finding leaves open; may be ""
}

// Done says whether the register was probed: it was there, proven and steady.
func (p Probed) Done() bool { return p.Before.State == Proven && !p.Changes }

// ProbeResult is what a probe did.
type ProbeResult struct {
	Decoder regset.Guard
	Rows    []Probed   // in order
	Changed []ResetRow // that do not hold what they held, after a power cycle: writing another register changed them
}

// NotRestored is the error of a register that does not take its old value back. The probe stopped there.
type NotRestored struct {
	Now Reading
	Old uint8
}

func (e NotRestored) Error() string {
	now := "what it holds now could not be proven"
	if e.Now.State == Proven {
		now = fmt.Sprintf("it holds %d now", e.Now.Value)
	}
	return fmt.Sprintf("register %v held %d and does not take it back: %s", e.Now.Register, e.Old, now)
}

// Spared says, in words, why a probe never writes to a register; "" where it may.
func Spared(r cv.Register) string {
	switch c := r.CV; {
	case c == cv.PrimaryAddress, c == cv.ExtendedHigh, c == cv.ExtendedLow:
		return "address"
	case c == cv.Version, c == cv.Maker, c >= cv.ExtendedMaker && c <= cv.ExtendedMaker+4:
		return "maker's number or version"
	case c == cv.LockKey, c == cv.LockNumber:
		return "lock"
	case c == cv.Consist:
		return "consist address"
	case c == cv.IndexHigh, c == cv.IndexLow:
		return "index page"
	case r.Volatile():
		return "volatile"
	}
	return ""
}

// freeBits are those of a register that a probe may write. Of CV 29 it leaves alone the bit that says which address is in use
// and the one that makes an accessory decoder of it: with either the other way, a decoder whose probe is cut off would not be
// found again on the main track.
func freeBits(r cv.Register) uint8 {
	if r.CV == cv.Configuration {
		return ^uint8(1<<cv.ExtendedAddressBit | 1<<cv.AccessoryBit)
	}
	return 255
}

// watched are registers whose values show, in the end, that no write to another has had an effect of its own on them. A decoder without
// direct mode, which is asked for every value in turn, is likely to have only the first few.
var watched = [...]nmra.CV{cv.PrimaryAddress, cv.Version, cv.Maker, cv.Configuration,
	cv.LockKey, cv.LockNumber, cv.ExtendedHigh, cv.ExtendedLow, cv.Consist, cv.IndexHigh, cv.IndexLow}

func (s *Session) watched() []nmra.CV {
	if s.bits() {
		return watched[:]
	}
	return watched[:4]
}

// Run probes. All old values are recorded before the first write; each is put back, and proven, before the next register; in the end,
// after a power cycle, everything is read again. Where a context that ends stops the work, the register at hand is put back first.
// Errors: [OtherDecoder], [Locked], [NotRestored]; those of Found, of [Session.Read] and of the recorder.
func (p Probe) Run(ctx context.Context, s *Session) (result ProbeResult, err error) {
	d, err := s.guard(ctx, p.Decoder.Maker, p.Decoder.Version)
	if err != nil {
		return result, err
	}
	result.Decoder = regset.Guard{Maker: &d.Maker, Version: &d.Version}
	if s.recorder == nil {
		return result, errNoRecorder
	}
	defer func() {
		if errors.Is(err, context.Canceled) {
			err = errors.Join(err, s.Restore(context.WithoutCancel(ctx)))
		}
	}()
	registers := p.registers()
	if len(registers) == 0 {
		return result, nil
	}
	before, err := p.readBefore(ctx, s)
	if err != nil {
		return result, err
	}
	open := false // something could be written, so the decoder is not locked
	for n, r := range registers {
		s.progress("probing", n, len(registers))
		row := Probed{Finding: sheet.Finding{Register: r}, Before: before[r]}
		if row.Before.State == Proven {
			if row, err = s.probe(ctx, row.Before); err != nil {
				return result, err
			}
			if !row.Writable && !open {
				if err = s.lock(ctx); err != nil {
					return result, err
				}
			}
			open = open || row.Writable
		}
		result.Rows = append(result.Rows, row)
		if p.Found != nil {
			if err := p.Found(row); err != nil {
				return result, err
			}
		}
	}
	s.progress("probing", len(registers), len(registers))
	result.Changed, err = s.changedSince(ctx, before, result.Rows)
	return result, err
}

// registers are those to probe, in order, each once.
func (p Probe) registers() []cv.Register {
	rs := slices.DeleteFunc(slices.Clone(p.Registers), func(r cv.Register) bool { return Spared(r) != "" })
	slices.SortFunc(rs, cv.Register.Compare)
	return slices.Compact(rs)
}

// readBefore reads and records what the registers hold, and those that are watched.
func (p Probe) readBefore(ctx context.Context, s *Session) (map[cv.Register]Reading, error) {
	all := p.registers()
	for _, c := range s.watched() {
		if r := (cv.Register{CV: c}); !slices.Contains(all, r) {
			all = append(all, r)
		}
	}
	slices.SortFunc(all, cv.Register.Compare)
	before, err := s.readAll(ctx, "reading", all, p.Likely, careful, nil)
	if err != nil {
		return nil, err
	}
	if err := s.Restore(ctx); err != nil {
		return nil, err
	}
	return before, s.recorder.Held(held(before))
}

// probe finds out how a register takes what is written to it.
func (s *Session) probe(ctx context.Context, before Reading) (Probed, error) {
	r := before.Register
	row := Probed{Finding: sheet.Finding{Register: r}, Before: before}
	if r.Indexed() {
		if ok, err := s.turnTo(ctx, r.Page); err != nil {
			return row, err
		} else if !ok {
			return row, fmt.Errorf("register %v: its page can't be chosen any more", r)
		}
	}
	// What it holds is proven once more, right before it is written.
	now, err := s.prove(ctx, r, Hint{Values: []uint8{before.Value}})
	if err != nil {
		return row, err
	}
	if now.State != Proven {
		return row, NotRead{now}
	}
	if now.Value != before.Value {
		row.Changes, row.Note = true, "it changes by itself"
		return row, nil
	}
	if err := s.Alone(ctx, now); err != nil {
		return row, err
	}
	q := newInquiry(before.Value, freeBits(r))
	now, err = s.inquire(ctx, q, now, &row.Writes)
	var unread NotRead
	if err != nil && !errors.Is(err, context.Canceled) && !errors.As(err, &unread) {
		return row, err
	}
	// Whoever stops the probe, it is put back.
	ctx = context.WithoutCancel(ctx)
	if now.State != Proven || now.Value != before.Value {
		row.Writes++
		change, restoring := s.set(ctx, before, before.Value)
		if restoring != nil {
			return row, errors.Join(err, restoring)
		}
		now = change.After
	}
	if now.State != Proven || now.Value != before.Value {
		return row, errors.Join(err, NotRestored{now, before.Value})
	}
	row.Finding = q.finding(r)
	row.Note = q.words(row.Finding)
	return row, err
}

// inquire writes to a register what the inquiry asks for, and says what it holds in the end.
func (s *Session) inquire(ctx context.Context, q *inquiry, now Reading, writes *int) (Reading, error) {
	for {
		value, more := q.next()
		if !more {
			return now, nil
		}
		if err := s.record(ctx, now.Register, q.old, value); err != nil {
			return now, err
		}
		held, obeyed := now.Value, false
		for try, settled := 1, false; try <= attempts && !settled; try++ {
			acknowledged, after, err := s.put(ctx, now.Register, value, q.expected(value)...)
			if acknowledged || after.State == Proven && after.Value != held {
				*writes++
			}
			if now = after; err != nil {
				return now, err
			}
			if now.State != Proven {
				return now, NotRead{now}
			}
			// Where nothing came of it and nothing was acknowledged, the write itself may have been lost.
			obeyed = acknowledged
			settled = acknowledged || now.Value != held
		}
		q.learn(value, now.Value, obeyed)
	}
}

// changedSince reads everything again after a power cycle, and gives what does not hold what it held.
func (s *Session) changedSince(ctx context.Context, before map[cv.Register]Reading, rows []Probed) (changed []ResetRow, err error) {
	if err := s.Restore(ctx); err != nil {
		return nil, err
	}
	if err := s.PowerCycle(ctx); err != nil {
		return nil, err
	}
	old := held(before)
	for _, row := range rows {
		if row.Changes {
			delete(old, row.Register)
		}
	}
	after, err := s.readAll(ctx, "proving", slices.SortedFunc(maps.Keys(old), cv.Register.Compare), old, careful, nil)
	if err != nil {
		return nil, err
	}
	for _, r := range old.Registers() {
		if row := (ResetRow{r, before[r], after[r]}); row.Changed() {
			changed = append(changed, row)
		}
	}
	return changed, s.Restore(ctx)
}
