//go:build unix

package prog

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/regset"
	"fettle/station"
	"fettle/station/bench"
	_ "fettle/station/text"
	"fettle/station/text/fakes"

	"github.com/google/go-cmp/cmp"
)

// ofText opens one of the fakes of text stations by its profile, with a decoder of the bench on its track. hasty is how long each command
// waits for its answer, where it is not what the profile says.
func ofText(t *testing.T, manner string, d *bench.Decoder, hasty time.Duration) (s station.Station, fake *fakes.Station, unplug func() error) {
	t.Helper()
	fake, err := fakes.New(manner, bench.New(d))
	if err != nil {
		t.Fatal(err)
	}
	name, unplug, _, err := fake.Plug()
	if err != nil {
		t.Fatal(err)
	}
	profile, err := os.ReadFile(filepath.Join("..", "testdata", "stations", manner+".toml"))
	if err != nil {
		t.Fatal(err)
	}
	profile = regexp.MustCompile(`(?m)^name +=.*$`).ReplaceAll(profile, fmt.Appendf(nil, "name = %q", name))
	file := filepath.Join(t.TempDir(), manner+".toml")
	if hasty != 0 {
		profile = regexp.MustCompile(`(?m)^timeout_ms.*$`).ReplaceAll(profile, nil)
		profile = regexp.MustCompile(`(?m)^send `).ReplaceAll(profile, fmt.Appendf(nil, "timeout_ms = %d\nsend ", hasty.Milliseconds()))
	}
	if err := os.WriteFile(file, profile, 0o644); err != nil {
		t.Fatal(err)
	}
	s, err = station.Open("text:" + file)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.Close()
		if err := unplug(); err != nil {
			t.Error(err)
		}
	})
	return s, fake, unplug
}

// outcome is what a person learns from a whole job, but for what only the bench measures.
type outcome struct {
	Identity cv.Values
	Applied  map[cv.Register]State
	Checked  []Match
	Reset    cv.Values // of what the reset changed
	Holds    cv.Values
}

// job identifies a decoder, applies a set, checks it and resets the decoder. sent says after each how much was asked in all.
func job(t *testing.T, track station.ProgrammingTrack, set regset.Set, sent func(verb string, s *Session)) (outcome, []nmra.Mode) {
	t.Helper()
	s, err := Start(t.Context(), track, DefaultBound, new(memory))
	if err != nil {
		t.Fatal(err)
	}
	id, err := Identify(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	sent("identify", s)
	plan, err := Prepare(t.Context(), s, set)
	if err != nil {
		t.Fatal(err)
	}
	batch, err := plan.Apply(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	sent("apply", s)
	o := outcome{Identity: id.Registers, Applied: states(batch), Reset: cv.Values{}}
	rows, err := Check(t.Context(), s, set)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows {
		o.Checked = append(o.Checked, row.Match)
	}
	sent("check", s)
	reset, err := Reset(t.Context(), s, set.Registers.Registers())
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range reset.Rows {
		if row.Changed() {
			o.Reset[row.Register] = row.After.Value
		}
	}
	sent("reset", s)
	return o, id.Modes
}

func TestAWholeJobThroughLinesOfTextLeavesWhatItLeavesOnTheBench(t *testing.T) {
	file := filepath.Join("..", "testdata", "sets", "tram-3-street.toml")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	set, err := regset.Parse(file, data)
	if err != nil {
		t.Fatal(err)
	}
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	d := spec.New(1)
	want, modes := job(t, bench.New(d), set, func(verb string, s *Session) { t.Logf("bench: %s: %d questions", verb, s.Tally().Operations) })
	want.Holds = steady(d, at(892))
	if len(want.Identity) < 4 || len(want.Applied) < 4 || len(want.Reset) < 4 {
		t.Fatalf("%+v: too little to say anything", want)
	}
	for manner, able := range map[string][]nmra.Mode{"quay": modes, "lighthouse": {nmra.Direct}, "capstan": {nmra.Direct}} {
		d := spec.New(1)
		s, fake, unplug := ofText(t, manner, d, 0)
		got, modes := job(t, s.(station.ProgrammingTrack), set, func(verb string, s *Session) {
			t.Logf("%s: %s: %d questions, %d lines", manner, verb, s.Tally().Operations, fake.Lines())
		})
		// Nobody looks at a decoder on whose track a fake is at work.
		if err := errors.Join(s.Close(), unplug()); err != nil {
			t.Error(err)
		}
		got.Holds = steady(d, at(892))
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-bench +text)\n%s", manner, diff)
		}
		if !slices.Equal(modes, able) {
			t.Errorf("%s: modes %v, want %v", manner, modes, able)
		}
	}
}

// untilItFails identifies a decoder and writes to it, again and again, until something goes wrong.
func untilItFails(ctx context.Context, track station.ProgrammingTrack) error {
	s, err := Start(ctx, track, DefaultBound, new(memory))
	for value := uint8(1); err == nil && value < 100; value++ {
		if _, err = Identify(ctx, s); err == nil {
			_, err = s.Write(ctx, at(3), value)
		}
	}
	return err
}

// inError is an error in the manner in which an answer is given: the first chunk of it that the manner takes.
func inError(answer string) string {
	switch {
	case strings.HasSuffix(answer, "\x03"):
		return answer[:len("\x00\xf5\x02")] + "\xa0" + tagOf(answer) + "7\x03"
	case strings.ContainsAny(answer, "0123456789") && strings.Contains(answer, "\r\n0"):
		echo, _, _ := strings.Cut(answer, "\r\n")
		return echo + "\r\namiss, 7\r\n"
	}
	return "muddle: 7\r\n"
}

// tagOf is the tag in an answer of the lighthouse.
func tagOf(answer string) string { return answer[len("\x00\xf5\x02\xa1"):][:2] }

func TestATextStationThatFailsInTheMiddleSaysSoAndIsLostWhereItIs(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(answer string) (string, error)
		lost  bool
		want  string
	}{
		{"silent", func(string) (string, error) { return "", nil }, true, "no answer to it in 150ms"},
		{"unplugged", func(string) (string, error) { return "", io.EOF }, true, "the port "},
		{"garbage", func(string) (string, error) { return "\x00\x1b[2J\xf5\x02what?\x03\r\n", nil }, false, "no pattern of the profile takes it"},
		{"without end", func(string) (string, error) { return strings.Repeat("\xf5\x02x", 2000), nil }, false, "a line of more than "},
		{"error", func(a string) (string, error) { return inError(a), nil }, false, "that is an error by [answers] error of the profile"},
	} {
		for _, manner := range fakes.Names() {
			for _, line := range []int{1, 2, 60} {
				spec, err := bench.BuiltIn("tram-3")
				if err != nil {
					t.Fatal(err)
				}
				s, fake, _ := ofText(t, manner, spec.New(1), 150*time.Millisecond)
				fake.Spoil(func(n int, _, answer string) (string, error) {
					if n >= line {
						return c.spoil(answer)
					}
					return answer, nil
				})
				err = untilItFails(t.Context(), s.(station.ProgrammingTrack))
				if !errors.Is(err, station.ErrStation) || errors.Is(err, station.ErrLost) != c.lost || !strings.Contains(err.Error(), c.want) {
					t.Errorf("%s, %s from line %d: %v, want %s, and it to be lost: %v", manner, c.name, line, err, c.want, c.lost)
				}
			}
		}
	}
}
