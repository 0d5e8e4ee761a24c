package main

import (
	"context"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/station"
	"fettle/station/bench"
)

// stopping is a track on which a signal comes at an access.
type stopping struct {
	station.ProgrammingTrack
	in   int // so many accesses
	stop context.CancelCauseFunc
}

func (s *stopping) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	if s.in--; s.in == 0 {
		s.stop(interrupted{syscall.SIGTERM})
		if err := ctx.Err(); err != nil {
			return station.Answer{}, err
		}
	}
	return s.ProgrammingTrack.Service(ctx, a)
}

// lasting is what a decoder holds, but for what changes by itself.
func lasting(spec bench.Spec, d *bench.Decoder) cv.Values {
	values := d.Values()
	maps.DeleteFunc(values, func(r cv.Register, _ uint8) bool { return spec.Changing[r] })
	return values
}

func TestWhereverItIsStoppedTheDecoderIsAsItWasOrAJournalIsNamed(t *testing.T) {
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		t.Fatal(err)
	}
	set := regset.Set{Registers: cv.Values{{CV: 3}: 30, {CV: 260, Page: cv.Page{High: 16, Low: 3}}: 7}}
	registers, _, err := parseSettings([]string{"3", "260@16.3", "257@17.0"}, cv.ParseRange)
	if err != nil {
		t.Fatal(err)
	}
	counts := map[string]int{}
	for name, does := range map[string]job{
		"read":  func(ctx context.Context, v *visit) error { return v.read(ctx, registers) },
		"plan":  func(ctx context.Context, v *visit) error { return v.planSet(ctx, set) },
		"apply": func(ctx context.Context, v *visit) error { return v.applySet(ctx, set, "quay.toml") },
		"reset": func(ctx context.Context, v *visit) error { return v.reset(ctx, registers, nil, "") },
	} {
		for at := 1; ; at += 7 {
			ctx, stop := context.WithCancelCause(t.Context())
			decoder := spec.New(0)
			was := lasting(spec, decoder)
			track := &stopping{bench.New(decoder), at, stop}
			var out strings.Builder
			v := &visit{stdout: &out, folder: t.TempDir(), progress: func(string, int, int) {}}
			err := v.work(ctx, track, prog.DefaultBound, does)
			stop(nil)
			if track.in > 0 {
				break // it was done before
			}
			journals, globErr := filepath.Glob(filepath.Join(v.folder, "*"))
			if globErr != nil {
				t.Fatal(globErr)
			}
			if err == nil { // it came while the page was put back, at the very end
				counts[name+", done"]++
				continue
			}
			if statusOf(err) != stopped || !strings.Contains(err.Error(), "SIGTERM") {
				t.Fatalf("%s, stopped at access %d: %v, want that it was stopped with SIGTERM", name, at, err)
			}
			if len(journals) == 0 {
				counts[name+", nothing written"]++
				if diff := cmp.Diff(was, lasting(spec, decoder)); diff != "" {
					t.Errorf("%s, stopped at access %d: %v, and no journal, but (-was +is)\n%s", name, at, err, diff)
				}
				continue
			}
			counts[name+", half-way"]++
			rec, readErr := journal.Read(journals[0])
			if readErr != nil || len(journals) > 1 || rec.Ended != "" || len(rec.Writes) == 0 || !strings.Contains(err.Error(), journals[0]) {
				t.Errorf("%s, stopped at access %d: %v, %v, ended %q, %v: want one journal that is open, has a write and is named",
					name, at, journals, readErr, rec.Ended, err)
			}
			if err := os.RemoveAll(v.folder); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, want := range []string{
		"read, nothing written", "plan, nothing written", "apply, nothing written", "apply, half-way", "reset, nothing written", "reset, half-way",
	} {
		if counts[want] == 0 {
			t.Errorf("%v: want some of %q", counts, want)
		}
	}
	if counts["read, half-way"]+counts["plan, half-way"] > 0 {
		t.Errorf("%v: a page that was chosen to read was not put back", counts)
	}
	t.Log(counts)
}
