package serve

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestOneWindowDrivesAndOthersWatch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "tram-3"), nil)
		defer d.closed()
		w := d.windows.by[first]
		d.come(second)
		if s := d.seen(second); s.Seat != Taken || s.Watching != 2 {
			t.Errorf("found seat %s, %d windows", s.Seat, s.Watching)
		}
		d.refused(second, Order{Do: Identify}, "only watches")
		d.refused(second, Order{Do: TakeSeat}, "Another window drives")
		d.leave(w)
		d.silentFor(59 * time.Second)
		d.refused(second, Order{Do: TakeSeat}, "Another window drives")
		d.come(first) // and comes back
		d.silentFor(5 * time.Minute)
		if s := d.seen(first); s.Seat != Mine {
			t.Errorf("found seat %s, want it kept for who came back", s.Seat)
		}
		d.leave(d.windows.by[first])
		d.silentFor(61 * time.Second)
		if a := d.ask(second, Order{Do: TakeSeat}); a.Refused != "" {
			t.Errorf("the seat is not free: %q", a.Refused)
		}
		d.come(first)
		d.refused(first, Order{Do: Identify}, "only watches")
	})
}

func TestASeventeenthWindowIsNotLetIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "tram-3"), nil)
		defer d.closed()
		for n := range mostWindows - 1 {
			d.come(strings.Repeat("a", 30) + string(rune('a'+n/16)) + string("0123456789abcdef"[n%16]))
		}
		if _, ok := d.arrive(second, nil); ok {
			t.Error("it was let in")
		}
		d.come(first) // one that comes back is
	})
}

func TestAnOrderThatIsSentAgainIsDoneOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.driven()
		r := d.stopped().Trial.Run
		note := Order{ID: 1000, Do: NoteRun, Run: r.Number, StopMM: r.StopMM}
		d.must(note)
		d.must(note) // the answer was lost with the connection
		d.come(first)
		d.must(note)
		s := d.phase(Placing)
		if s.Trial.Made != 1 {
			t.Errorf("found %d runs made, want 1", s.Trial.Made)
		}
		d.refused(first, Order{ID: 999, Do: DriveRun, Run: s.Trial.Run.Number}, "too late")
		d.refused(first, Order{ID: 1001, Do: NoteRun, Run: r.Number, StopMM: 5}, "is at hand")
		d.refused(first, Order{ID: 1002, Do: DriveRun, Run: r.Number}, "is at hand")
	})
}

func TestOrdersOutOfPlaceAreRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		for _, do := range []Action{AgreeToMove, DriveRun, SayOutcome, PassMark, NoteRun, UndoRun, CloseTrial} {
			d.refused(first, Order{Do: do}, "No trial is open")
		}
		d.refused(first, Order{Do: ResumeBatch}, "nothing to go on with")
		d.refused(first, Order{Do: UndoBatch}, "nothing to undo")
		for _, file := range []string{"", "quay-3.toml", "../quay-2.toml", "/etc/passwd", "quay-2.toml/../quay-2.toml"} {
			d.refused(first, Order{Do: OpenTrial, File: file}, "no such trial")
			d.idle()
			d.refused(first, Order{Do: PlanSet, File: file}, "no such register set")
			d.idle()
		}
		for _, text := range []string{"", "0", "1025", "1-99999", "29=3", "x"} {
			d.refused(first, Order{Do: ReadSome, Registers: text}, "")
			if s := d.seen(first); s.Doing != "" {
				t.Errorf("registers %q: found %q at hand", text, s.Doing)
			}
		}
		d.opened()
		d.refused(first, Order{Do: Identify}, "A trial is open")
		run := d.seen(first).Trial.Run.Number
		for _, do := range []Action{SayOutcome, PassMark, NoteRun} {
			d.refused(first, Order{Do: do, Run: run}, "not the time")
		}
		d.driven()
		d.refused(first, Order{Do: SayOutcome, Run: run, Outcome: "vanished"}, "Want an outcome")
		d.refused(first, Order{Do: CloseTrial}, "stop first")
		d.refused(first, Order{Do: LeaveSeat}, "stop first")
		d.stopped()
		d.refused(first, Order{Do: NoteRun, Run: run}, "where it stopped")
		d.refused(first, Order{Do: NoteRun, Run: run, StopMM: 1400, Note: "two\nlines"}, "want a line of text")
	})
}
