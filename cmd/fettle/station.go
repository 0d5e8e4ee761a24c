package main

import (
	"cmp"
	"os"

	"github.com/spf13/cobra"

	"fettle/station"
	"fettle/station/bench"
	_ "fettle/station/board"
	_ "fettle/station/text"
)

// stationFlags say which station a verb works with.
type stationFlags struct {
	where string
	fresh bool
}

// addStation adds the flags of a verb that touches a station.
func addStation(cmd *cobra.Command) *stationFlags {
	s := new(stationFlags)
	cmd.Flags().StringVar(&s.where, "station", "", "the station `WHERE`: bench:tram-3, board:PORT or text:PROFILE.toml; else FETTLE_STATION says, else it is bench:")
	addMark(cmd.Flags(), &s.fresh, true, "fresh", "on the bench: take new decoders out of their boxes first")
	return s
}

// open opens the station. The caller closes it.
func (s *stationFlags) open() (station.Station, error) {
	where := cmp.Or(s.where, os.Getenv("FETTLE_STATION"), "bench:")
	if s.fresh {
		if err := bench.Fresh(where); err != nil {
			return nil, err
		}
	}
	return station.Open(where)
}
