package serve

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestAStopTurnsTheTrackOffInEveryState(t *testing.T) {
	set := testdata(t, "sets/tram-3-street.toml")
	for name, c := range map[string]struct {
		station string
		to      func(*desk) // brings the desk to the state
		after   func(*desk)
	}{
		"nothing at hand": {"tram-3", func(*desk) {}, func(*desk) {}},
		"identifying": {"tram-3", func(d *desk) { d.send(first, Order{Do: Identify}) }, func(d *desk) {
			if s := d.idle(); !strings.Contains(s.Trouble, "mergency stop") {
				d.Errorf("found trouble %q, want it to say what stopped it", s.Trouble)
			}
		}},
		"applying": {"tram-3", func(d *desk) {
			d.must(Order{Do: PlanSet, File: "street.toml"})
			d.idle()
			d.send(first, Order{Do: ApplySet})
		}, func(d *desk) { d.idle() }},
		"agreeing": {"engine-30", func(d *desk) {
			d.must(Order{Do: OpenTrial, File: "quay-2.toml"})
			d.idle()
		}, func(d *desk) { d.idle(); d.phase(Agreeing) }},
		"placing": {"engine-30", func(d *desk) { d.opened() }, func(d *desk) { d.phase(Placing); d.driven() }},
		"sent off": {"engine-30", func(d *desk) {
			d.opened()
			d.send(first, Order{Do: DriveRun, Run: d.seen(first).Trial.Run.Number})
		}, func(d *desk) { d.phase(Placing); d.driven() }},
		"moving": {"engine-30", func(d *desk) { d.opened(); d.driven() }, func(d *desk) {
			s := d.phase(Placing)
			if s.Trial.Made != 0 || !strings.Contains(s.Trouble, "does not count") {
				d.Errorf("found %s, want the run not to count", d.told())
			}
			d.driven()
		}},
		"noting": {"engine-30", func(d *desk) { d.opened(); d.driven(); d.stopped() }, func(d *desk) {
			r := d.phase(Noting).Trial.Run
			d.must(Order{Do: NoteRun, Run: r.Number, StopMM: r.StopMM})
		}},
	} {
		for _, window := range []string{first, second} {
			t.Run(name+", window "+window[31:], func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					d := seated(t, on(t, c.station), map[string]string{"street.toml": set, "quay-2.toml": trialText})
					defer d.Close()
					d.come(second)
					c.to(d)
					if a := d.ask(window, Order{Do: Stop}); a.Refused != "" {
						t.Errorf("the stop was refused: %q", a.Refused)
					}
					synctest.Wait() // no time passes
					if s := d.seen(first); s.Track != Off {
						t.Errorf("found track %s at the very time of the stop, want it off", s.Track)
					}
					c.after(d)
				})
			})
		}
	}
}

// silentFor lets time pass without a word of who drives.
func (d *desk) silentFor(t time.Duration) {
	time.Sleep(t)
	synctest.Wait()
}

func TestSilenceTurnsTheTrackOffWhileItIsOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.driven()
		d.come(second)
		for range 6 { // who only watches does not count
			d.silentFor(900 * time.Millisecond)
			d.send(second, Order{Do: Beat})
		}
		s := d.seen(first)
		if s.Track != Off || s.Trial.Phase != Placing || s.Trial.Made != 0 || !strings.Contains(s.Trouble, "heard") {
			t.Errorf("found %s after 5.4 s of silence, want the track off and the run not counted", d.told())
		}
	})
}

func TestWhoIsHeardInTimeKeepsTheTrackOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.driven()
		for range 10 {
			d.silentFor(4900 * time.Millisecond)
			d.send(first, Order{Do: Beat})
		}
		if s := d.seen(first); s.Track != Main || s.Trial.Phase != Moving {
			t.Errorf("found %s, want it to be on its way", d.told())
		}
	})
}

func TestWithTheTrackOffNothingIsLostBySilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := seated(t, on(t, "engine-30"), map[string]string{"quay-2.toml": trialText})
		defer d.closed()
		d.opened()
		d.silentFor(20 * time.Second)
		if s := d.seen(first); s.Trial == nil || s.Trial.Phase != Placing || s.Trouble != "" {
			t.Fatalf("found %s, want the run to wait for its place", d.told())
		}
		d.driven()
		r := d.stopped().Trial.Run
		d.silentFor(20 * time.Second)
		if s := d.seen(first); s.Trial.Phase != Noting {
			t.Fatalf("found %s, want the run to wait for its note", d.told())
		}
		d.must(Order{Do: NoteRun, Run: r.Number, StopMM: r.StopMM})
		d.phase(Placing)
		d.driven()
		d.silentFor(6 * time.Second) // and it counts again once the track is on
		if s := d.seen(first); s.Track != Off {
			t.Errorf("found %s, want the track off", d.told())
		}
	})
}

func TestAStopHalfWayIsOfferedAgainAndProvenAfterARestart(t *testing.T) {
	set := testdata(t, "sets/tram-3-street.toml")
	synctest.Test(t, func(t *testing.T) {
		rails := on(t, "tram-3")
		d := seated(t, rails, map[string]string{"street.toml": set})
		d.must(Order{Do: PlanSet, File: "street.toml"})
		d.idle()
		halfway := make(chan struct{})
		d.track = &cutOff{d.track, 3, func() { close(halfway) }}
		d.must(Order{Do: ApplySet})
		<-halfway
		d.ask(first, Order{Do: Stop})
		s := d.idle()
		if s.Batch.Phase != "stopped" || s.Batch.Journal == "" || s.Track != Off {
			t.Fatalf("found %s, want a batch that was stopped", d.told())
		}
		if err := d.Close(); err == nil || !strings.Contains(err.Error(), s.Batch.Journal) {
			t.Errorf("closing: found %v, want it to name the journal", err)
		}
		d.serve(rails)
		defer d.closed()
		d.come(first)
		d.must(Order{Do: TakeSeat})
		s = d.seen(first)
		if s.Batch == nil || s.Batch.Phase != "stopped" {
			t.Fatalf("found %s, want the batch offered again", d.told())
		}
		words := map[string]bool{}
		for _, r := range s.Batch.Rows {
			words[r.Words] = true
		}
		if !words["begun, to be proven"] || !words["to be written"] || !words["was right already, to be read again"] {
			t.Errorf("found rows that say %v, want those that were begun told from those that were not", words)
		}
		d.must(Order{Do: ResumeBatch})
		s = d.idle()
		if s.Trouble != "" || s.Batch.Phase != "proven" && s.Batch.Phase != "not_proven" {
			t.Errorf("found %s, want the batch to have come to its end", d.told())
		}
	})
}
