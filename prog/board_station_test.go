package prog

import (
	"errors"
	"fmt"
	"maps"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/station"
	"fettle/station/bench"
	"fettle/station/board"
	"fettle/station/board/firmware/host/hosttest"
	"fettle/station/port"
)

// A cable is pulled out at a byte of a batch through the board's real firmware, in the host build: at every one in `make proof`, at every
// 41st in `make test`. The board goes on, or loses its power with the cable, by turns.
func TestProofThatABatchWhoseCableIsPulledOutAtAnyByteIsResumed(t *testing.T) {
	program, err := hosttest.Build("../station/board/firmware", t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	const plenty = 1 << 30
	whole := &hosttest.Cable{Left: plenty}
	if begun, err := pulledOut(t, program, spec, whole); err != nil || !begun {
		t.Fatalf("with the cable in: %v, begun: %v", err, begun)
	}
	bytes := plenty - whole.Left
	var pulled, batches atomic.Int64
	var work sync.WaitGroup
	next := make(chan int)
	for range 2 {
		work.Go(func() {
			for left := range next {
				begun, err := pulledOut(t, program, spec, &hosttest.Cable{Left: left})
				if err != nil {
					t.Errorf("pulled out after %d bytes: %v", left, err)
				}
				if pulled.Add(1); begun {
					batches.Add(1)
				}
			}
		})
	}
	for left := 0; left < bytes; left += campaign(41, 1) {
		next <- left
	}
	close(next)
	work.Wait()
	t.Logf("of the %d bytes of a batch the cable was pulled out at %d; %d times its journal had begun, and it was resumed to its end; no old value lost",
		bytes, pulled.Load(), batches.Load())
	if batches.Load() < pulled.Load()/4 {
		t.Error("too few were resumed for that to say anything")
	}
}

var pulledSet = cv.Values{at(3): 12, at(4): 9}

// pulledOut applies a set to a new decoder, on a board of its own, and resumes it where the cable was pulled out. begun says that the
// batch had a plan by then, or came to its end.
func pulledOut(t *testing.T, program string, spec bench.Spec, cable *hosttest.Cable) (begun bool, err error) {
	d := spec.New(1)
	before, after := steady(d, at(892)), func() cv.Values { return steady(d, at(892)) }
	track := bench.NewTrack(d)
	defer track.Close()
	h, err := hosttest.Start(program, track)
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, h.Close()) }()
	left := cable.Left
	cable.Board = h
	path, failed := throughBoard(t, cable)
	if failed != nil {
		if !errors.Is(failed, station.ErrLost) {
			return false, failed
		}
		if left%2 == 1 {
			err = h.Restart()
		} else {
			err = h.Run(1200 * time.Millisecond)
		}
		if err != nil {
			return false, err
		}
		if h.On() {
			return false, errors.New("the track is on")
		}
	}
	rec := journal.Record{}
	if path != "" {
		if rec, err = journal.Read(path); err != nil {
			return false, err
		}
	}
	for r, v := range after() {
		if old, kept := rec.Held[r]; v != before[r] && (!kept || old != before[r]) {
			return false, fmt.Errorf("register %v held %d, which the journal does not have", r, before[r])
		}
	}
	begun = rec.Wanted != nil
	if begun && failed != nil {
		if err := resumed(t, &hosttest.Cable{Board: h, Left: -1}, path); err != nil {
			return begun, err
		}
	}
	want := maps.Clone(before)
	if begun {
		maps.Copy(want, pulledSet)
	}
	if diff := cmp.Diff(want, after()); diff != "" {
		return begun, fmt.Errorf("the decoder holds (-want +got)\n%s", diff)
	}
	return begun, nil
}

// onBoard begins a session through a line, and does something in it.
func onBoard(t *testing.T, line port.Line, j *journal.Journal, do func(*Session) (Plan, error)) (err error) {
	b, err := board.New(line, "host build")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	s, err := Start(t.Context(), b, DefaultBound, j)
	if err != nil {
		return err
	}
	p, err := do(s)
	if err != nil {
		return err
	}
	batch, err := p.Apply(t.Context(), s)
	if err == nil && !batch.Good() {
		err = fmt.Errorf("the batch: %v", states(batch))
	}
	return err
}

// throughBoard applies the set through a line that may be cut off, and gives the journal's path.
func throughBoard(t *testing.T, line port.Line) (path string, err error) {
	j := journal.New(t.TempDir(), "pulled", journal.Header{Batch: "apply", Title: "pulled", When: time.Unix(0, 0).UTC()})
	j.For(journal.Decoder{Maker: 13, Version: 21})
	defer j.Close()
	err = onBoard(t, line, j, func(s *Session) (Plan, error) {
		return s.plan(t.Context(), "pulled", journal.Decoder{Maker: 13, Version: 21}, pulledSet, nil)
	})
	return j.Path(), err
}

// resumed does the rest of a batch.
func resumed(t *testing.T, line port.Line, path string) error {
	j, rec, err := journal.Reopen(path, time.Unix(9, 0).UTC())
	if err != nil {
		return err
	}
	defer j.Close()
	return onBoard(t, line, j, func(s *Session) (Plan, error) { return Resume(t.Context(), s, rec) })
}
