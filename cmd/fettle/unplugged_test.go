package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"fettle/nmra"
	"fettle/station"
)

// unplugged is a bench whose cable comes out at one access: "unplugged:40/tram-3" fails the 40th, and every one after it.
type unplugged struct {
	station.ProgrammingTrack
	station station.Station
	left    int
}

func init() {
	station.Register("unplugged", func(rest string) (station.Station, error) {
		after, name, _ := strings.Cut(rest, "/")
		left, err := strconv.Atoi(after)
		if err != nil {
			return nil, err
		}
		s, err := station.Open("bench:" + name)
		if err != nil {
			return nil, err
		}
		return &unplugged{s.(station.ProgrammingTrack), s, left}, nil
	})
}

func (u *unplugged) Describe() station.Description { return u.station.Describe() }
func (u *unplugged) Close() error                  { return u.station.Close() }

func (u *unplugged) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	if u.left--; u.left <= 0 {
		return station.Answer{}, fmt.Errorf("board at /dev/ttyUSB0: its cable is out: %w", station.ErrLost)
	}
	return u.ProgrammingTrack.Service(ctx, a)
}
