package tryout

import (
	"context"

	"fettle/station"
)

const lacking = "this station does not have it"

// checks are all of them. Within a scene they are in this order.
func (t *tryout) checks() []check {
	var all []check
	add := func(scene station.Scene, name string, run func(ctx context.Context) (string, error)) {
		all = append(all, check{Check: station.Check{Name: name, Scene: scene, Run: run}})
	}
	omit := func(scene station.Scene, name, why string) {
		all = append(all, check{Check: station.Check{Name: name, Scene: scene}, omitted: why})
	}
	if t.power != nil {
		add(station.EmptyTrack, "power on", t.emptyTrack)
		add(station.WithDecoder, "power on", t.withDecoder)
	}
	vital := len(all)
	atGate := false
	if checker, ok := t.station.(station.Checker); ok {
		for _, c := range checker.Checks() {
			add(c.Scene, c.Name, c.Run)
			atGate = atGate || c.Scene == station.HandAtGate
		}
	}
	for i := range all {
		all[i].vital = i < vital || all[i].Scene == station.EmptyTrack
	}
	if t.power != nil {
		add(station.WithDecoder, "current at rest", t.atRest)
	}
	if track, ok := t.station.(station.ProgrammingTrack); ok {
		t.decoder.track = track
		add(station.EmptyTrack, "silence of nobody", t.decoder.nobody)
		add(station.WithDecoder, "acknowledgement", t.decoder.acknowledges)
		add(station.WithDecoder, "reading", t.decoder.reads)
		add(station.WithDecoder, "strength of acknowledgements", t.decoder.strength)
		add(station.WithDecoder, "silence where it is not so", t.decoder.untrue)
		omit(station.WithDecoder, "writing", "it would change the decoder. fettle apply proves each write: it reads before and after")
	} else {
		omit(station.WithDecoder, "programming track", lacking)
	}
	if main, ok := t.station.(station.Main); ok {
		add(station.EmptyTrack, "packets to the main", func(ctx context.Context) (string, error) { return send(ctx, main) })
	} else {
		omit(station.EmptyTrack, "packets to the main", lacking)
	}
	gates, ok := t.station.(station.Gates)
	if _, bench := t.station.(station.Layout); !ok || bench { // no hand can be held in a gate of the bench
		omit(station.HandAtGate, "gates", lacking)
	} else if !atGate {
		add(station.HandAtGate, "gates", func(ctx context.Context) (string, error) { return waitAt(ctx, gates) })
	}
	return all
}
