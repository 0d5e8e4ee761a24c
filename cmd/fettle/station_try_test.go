package main

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/spf13/cobra"

	"fettle/prog/tryout"
	"fettle/station"
	"fettle/station/bench"
)

// real is a bench that says that it is none: "real:tram-3".
type real struct{ *bench.Bench }

func (r real) Describe() station.Description {
	return station.Description{Kind: "invented station", Title: r.Bench.Describe().Title}
}

func init() {
	station.Register("real", func(rest string) (station.Station, error) {
		s, err := station.Open("bench:" + rest)
		if err != nil {
			return nil, err
		}
		return real{s.(*bench.Bench)}, nil
	})
}

// tryWith tries a real station with a person who answers so, and gives what the two were told.
func tryWith(t *testing.T, ctx context.Context, answers string) (stdout, stderr string, err error) {
	t.Helper()
	var out, questions strings.Builder
	cmd := &cobra.Command{}
	cmd.SetContext(ctx)
	cmd.SetOut(&out)
	decoder, specErr := bench.BuiltIn("tram-3")
	if specErr != nil {
		t.Fatal(specErr)
	}
	track := real{bench.New(decoder.New(0))}
	err = tryStation(cmd, track, asked{iotest.OneByteReader(strings.NewReader(answers)), &questions}, false)
	return out.String(), questions.String(), errors.Join(err, track.Close())
}

func TestAPersonIsAskedBeforeEachScene(t *testing.T) {
	stdout, stderr, err := tryWith(t, t.Context(), "no\nyes\n")
	if statusOf(err) != done {
		t.Fatal(err)
	}
	for _, want := range []string{"Leave the track empty. Its power comes on, and that of a layout that this station feeds", "Put one vehicle with a decoder on the programming track. Its power comes on"} {
		if strings.Count(stderr, want) != 1 {
			t.Errorf("asked %q, want %q", stderr, want)
		}
	}
	if !strings.Contains(stdout, "not tried  power on; silence of nobody; packets to the main\n             left out\n") || !strings.Contains(stdout, "yes        reading") {
		t.Error(stdout)
	}
	if stdout, _, err = tryWith(t, t.Context(), ""); statusOf(err) != done || strings.Contains(stdout, "  yes") {
		t.Errorf("nobody answered: %v\n%s", err, stdout)
	}
}

func TestADoubtIsToldBeforeThePowerComesOn(t *testing.T) {
	stage := tryout.Stage{Scene: station.EmptyTrack, Doubt: "supply"}
	var screen strings.Builder
	if err := (asked{strings.NewReader("no\n"), &screen}).Prepare(t.Context(), stage); !errors.Is(err, tryout.ErrNotPrepared) ||
		!strings.Contains(screen.String(), "Not as it has to be: supply.") {
		t.Errorf("%v, %q", err, screen.String())
	}
	if err := (settled{onTrackEmpty, io.Discard}).Prepare(t.Context(), stage); !errors.Is(err, tryout.ErrNotPrepared) {
		t.Errorf("%v: nobody wanted it", err)
	}
	if err := (asked{strings.NewReader("yes\n"), &screen}).Prepare(t.Context(), tryout.Stage{Scene: station.HandAtGate, Check: "gate 2"}); err != nil ||
		!strings.Contains(screen.String(), "For gate 2: hold something in it") {
		t.Errorf("%v, %q", err, screen.String())
	}
}

func TestCtrlCAtAQuestionStopsWithTheTrackOff(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, _, err := tryWith(t, ctx, "")
	if statusOf(err) != stopped {
		t.Error(err)
	}
}
