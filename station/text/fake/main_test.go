//go:build unix

package main

import (
	"bufio"
	"context"
	"io"
	"regexp"
	"strings"
	"testing"

	"fettle/nmra"
	"fettle/station"
	_ "fettle/station/text"
)

func TestWhatItSaysToTypeWorks(t *testing.T) {
	t.Setenv("XDG_STATE_HOME", t.TempDir())
	t.Chdir("../../..")
	ctx, stop := context.WithCancel(t.Context())
	out, in := io.Pipe()
	ended := make(chan error)
	go func() {
		err := run(ctx, []string{"quay", "engine-21"}, in)
		in.Close()
		ended <- err
	}()
	lines := bufio.NewScanner(out)
	said := ""
	for lines.Scan() {
		said += lines.Text() + "\n"
		if strings.Contains(lines.Text(), "Ctrl-C") {
			break
		}
	}
	go io.Copy(io.Discard, out)
	where := regexp.MustCompile(`--station (text:\S+)`).FindStringSubmatch(said)
	if where == nil || !strings.Contains(said, "simulated bench: dredger-spoil engine 21") {
		t.Fatalf("it said\n%s", said)
	}
	s, err := station.Open(where[1])
	if err != nil {
		t.Fatal(err)
	}
	track := s.(station.ProgrammingTrack)
	draw, err := track.PowerOn(t.Context())
	if err != nil || draw.Rest < 1 {
		t.Errorf("%+v, %v, want some current", draw, err)
	}
	answer, err := track.Service(t.Context(), nmra.Access{Operation: nmra.Verify, CV: 1, Value: 21})
	if err != nil || !answer.Acknowledged {
		t.Errorf("%+v, %v", answer, err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func TestWhatItDoesNotKnowItRefuses(t *testing.T) {
	t.Setenv("XDG_STATE_HOME", t.TempDir())
	for args, want := range map[string]string{"yard": "want one of capstan, lighthouse, quay", "quay nobody": "bench decoder", "--help": "usage", "a b c": "usage"} {
		if err := run(t.Context(), strings.Fields(args), io.Discard); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %s", args, err, want)
		}
	}
}
