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

// newStation makes the verb station and those below it.
func newStation() *cobra.Command {
	return group(&cobra.Command{
		Use:   "station VERB ...",
		Short: "Find a real station, prove what it can do, and load the open board.",
		Long: `A real station can hurt people and things:

  - Feed the track from a supply that is certified, isolated and limited in its current. Wire
    nothing to the mains yourself: local electrical rules and a qualified person decide what is.
  - Never join the open board's output to a layout that another station feeds.
  - A short can heat rails, wheels and wires enough to burn you or to start a fire: fuse it, and do
    not leave a live track alone.
  - A decoder that draws more than 250 mA on the programming track after the first 100 ms is to be
    taken off, not tried again (NMRA S-9.2.3, July 2012, section D).
  - Small magnets, wheels and parts are no toys for small children.`,
	},
		newStationList(),
		newStationTry(),
		newStationLoad(),
	)
}

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
