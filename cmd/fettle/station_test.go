package main

import (
	"testing"

	"github.com/spf13/cobra"
)

func TestAStationIsNamedByItsFlagElseByTheEnvironmentElseItIsTheBench(t *testing.T) {
	t.Setenv("XDG_STATE_HOME", t.TempDir())
	for _, c := range []struct {
		args        []string
		environment string
		want        string
	}{
		{nil, "", "simulated bench: harbour tram 3"},
		{nil, "bench:nothing", "simulated bench: nothing on the track"},
		{[]string{"--station", "bench:tram-3"}, "bench:nothing", "simulated bench: harbour tram 3"},
		{[]string{"--fresh"}, "", "simulated bench: harbour tram 3"},
	} {
		t.Setenv("FETTLE_STATION", c.environment)
		cmd := &cobra.Command{}
		flags := addStation(cmd)
		if err := cmd.ParseFlags(c.args); err != nil {
			t.Fatal(err)
		}
		s, err := flags.open()
		if err != nil {
			t.Errorf("%v, FETTLE_STATION=%s: %v", c.args, c.environment, err)
			continue
		}
		if got := s.Describe().String(); got != c.want {
			t.Errorf("%v, FETTLE_STATION=%s: %s, want %s", c.args, c.environment, got, c.want)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
}
