package text

import (
	"fmt"

	"fettle/station"
	"fettle/station/port"
)

func init() {
	station.Register("text", func(rest string) (station.Station, error) {
		p, err := readProfile(rest)
		if err != nil {
			return nil, err
		}
		line, err := port.Open(p.where, p.port)
		if err != nil {
			return nil, fmt.Errorf("text station: %s: %w; see [port] of the profile %s", p.title, err, rest)
		}
		return New(p, line), nil
	})
}
