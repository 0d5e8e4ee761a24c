package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"fettle/prog/tryout"
	"fettle/station"
)

// newStationTry makes the verb station try.
func newStationTry() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "try [flags]",
		Short: "Prove what a station can do, one ability after the other.",
		Long: `First with nothing on the programming track, then with a decoder on it: power, current, acknowledgements, reading, gates,
and what the station itself wants to be checked. Each is told with what was seen and, where it is not as it has to be, what to
do. Nothing is written to the decoder.

It asks before each scene, and the track is off whenever it does. Where nobody can be asked, and on the bench, --track says what
is on the track, and only that is tried.`,
		Example: "  fettle station try --station board:/dev/ttyUSB0\n  fettle station try --station text:yard.toml --track decoder\n" +
			"  fettle station try --station bench:nothing",
		DisableFlagsInUseLine: true,
		Args:                  noArguments,
	}, map[status]string{
		done:          "all that was tried is as it has to be",
		saidNo:        "something is not: it is told what, and what to do",
		badUse:        "bad use, or a bad file",
		stationFailed: "the station failed or went away: what was left is not tried",
		stopped:       "stopped with Ctrl-C; the track is off",
	})
	flags, asJSON := addStation(cmd), jsonFlag(cmd)
	track := cmd.Flags().String("track", "", "do not ask: what is on the track is `WHAT`, empty or decoder")
	cmd.RunE = func(cmd *cobra.Command, _ []string) (err error) {
		if *track != "" && *track != onTrackEmpty && *track != onTrackDecoder {
			return misuse(cmd, "--track %q: want empty or decoder", *track)
		}
		s, err := flags.open()
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, s.Close()) }()
		person, err := personFor(cmd, s.Describe(), *track)
		if err != nil {
			return err
		}
		return tryStation(cmd, s, person, *asJSON)
	}
	return cmd
}

const (
	onTrackEmpty   = "empty"
	onTrackDecoder = "decoder"
)

// personFor is who sees to the track of a station.
func personFor(cmd *cobra.Command, d station.Description, track string) (tryout.Person, error) {
	switch {
	case track != "":
	case d.Simulated && strings.HasSuffix(d.Title, "nothing on the track"):
		track = onTrackEmpty
	case d.Simulated:
		track = onTrackDecoder
	case terminal(os.Stdin):
		return asked{cmd.InOrStdin(), cmd.ErrOrStderr()}, nil
	default:
		return nil, misuse(cmd, "the power comes on, and there is nobody to ask what is on the track: want --track empty or --track decoder")
	}
	out := cmd.ErrOrStderr()
	if d.Simulated {
		out = io.Discard
	}
	return settled{track, out}, nil
}

// settled is a track on which things are as they are: empty, or a decoder.
type settled struct {
	track string
	out   io.Writer // where it is said that the power comes on
}

func (s settled) Prepare(_ context.Context, stage tryout.Stage) error {
	empty := stage.Scene != station.WithDecoder
	switch {
	case stage.Scene == station.HandAtGate:
		return unprepared("it takes a hand at the track")
	case empty != (s.track == onTrackEmpty):
		return unprepared(map[bool]string{true: "there is a decoder on the track", false: "there is no decoder on the track"}[empty])
	case stage.Doubt != "":
		return unprepared("its power stays off until this is put right: " + stage.Doubt)
	}
	_, err := fmt.Fprintf(s.out, "%s: going on\n", scenes[stage.Scene].words)
	return err
}

// unprepared says why a scene is left out.
type unprepared string

func (u unprepared) Error() string { return string(u) }
func (unprepared) Unwrap() error   { return tryout.ErrNotPrepared }

// asked is a person at a terminal.
type asked struct {
	in  io.Reader
	out io.Writer
}

func (a asked) Prepare(ctx context.Context, stage tryout.Stage) error {
	var question string
	switch stage.Scene {
	case station.PowerOff:
		question = "Take everything off the track. Its power stays off, but for a check that switches it."
	case station.EmptyTrack:
		question = "Leave the track empty. Its power comes on, and that of a layout that this station feeds as well: vehicles there may move, so see " +
			"that nothing can come to harm."
	case station.WithDecoder:
		question = "Put one vehicle with a decoder on the programming track. Its power comes on: keep hands off then."
	case station.HandAtGate:
		question = "The track is off. For " + stage.Check + ": hold something in it, and take it out again, within half a minute."
	}
	if stage.Doubt != "" {
		question = fmt.Sprintf("Not as it has to be: %s. See above what to do, and go on only if you know that it does no harm.\n%s", stage.Doubt, question)
	}
	word, err := ask(ctx, a.in, a.out, wrapped("\n"+question, screenWidth, "")+"\nyes when it is so, no to leave it out: ")
	if err == nil && word != "yes" {
		err = unprepared("left out")
	}
	return err
}

// triedDocument is what --json says of a station that was tried.
type triedDocument struct {
	stationDocument
	Checks   []abilityDocument `json:"checks"`
	Yes      int               `json:"yes"`
	No       int               `json:"no"`
	NotTried int               `json:"not_tried"`
}

type abilityDocument struct {
	Scene string `json:"scene"`
	Name  string `json:"name"`
	State string `json:"state"` // yes, no, not_tried
	Saw   string `json:"saw,omitempty"`
	Do    string `json:"do,omitempty"`
}

var scenes = map[station.Scene]struct{ key, words string }{
	station.PowerOff:    {"power_off", "with nothing on the track, its power off"},
	station.EmptyTrack:  {"empty_track", "with nothing on the track, its power on"},
	station.WithDecoder: {"with_decoder", "with a decoder on the track, its power on"},
	station.HandAtGate:  {"hand_at_gate", "with a hand at the gates, the track's power off"},
}

// tryStation tries a station, and tells as it goes.
func tryStation(cmd *cobra.Command, s station.Station, person tryout.Person, asJSON bool) error {
	v := &visit{stdout: cmd.OutOrStdout(), asJSON: asJSON}
	if err := v.arrive(s); err != nil {
		return err
	}
	t := telling{visit: v}
	d := triedDocument{stationDocument: v.station, Checks: []abilityDocument{}}
	err := tryout.Try(cmd.Context(), s, person, func(r tryout.Result) {
		d.add(r)
		t.tell(r)
	})
	t.flush()
	if cmd.Context().Err() != nil {
		return failure{stopped, interruption(cmd.Context())}
	}
	ending := fmt.Sprintf("\n%d as they have to be, %d not, %d not tried.", d.Yes, d.No, d.NotTried)
	if err == nil {
		ending += " The track is off."
	}
	if err := errors.Join(t.failed, v.answer(ending+"\n", d)); err != nil {
		return err
	}
	if err == nil && d.No > 0 {
		return failure{saidNo, nil}
	}
	return err
}

func (d *triedDocument) add(r tryout.Result) {
	d.Checks = append(d.Checks, abilityDocument{scenes[r.Scene].key, r.Name, strings.ReplaceAll(r.State.String(), " ", "_"), r.Saw, r.Do})
	*map[tryout.State]*int{tryout.Yes: &d.Yes, tryout.No: &d.No, tryout.NotTried: &d.NotTried}[r.State]++
}

// telling tells a person of results, each under its scene. Those that are not tried for the same reason are told together.
type telling struct {
	*visit
	scenes int             // that have been headed
	last   station.Scene   // of them
	left   []tryout.Result // not tried, for one reason, and not told yet
	failed error
}

func (t *telling) tell(r tryout.Result) {
	if len(t.left) > 0 && (t.left[0].Do != r.Do || t.left[0].Scene != r.Scene || r.State != tryout.NotTried) {
		t.flush()
	}
	if r.State == tryout.NotTried {
		t.left = append(t.left, r)
		return
	}
	t.print(r)
}

func (t *telling) flush() {
	if len(t.left) == 0 {
		return
	}
	r, names := t.left[0], []string{}
	for _, one := range t.left {
		names = append(names, one.Name)
	}
	r.Name, t.left = strings.Join(names, "; "), nil
	t.print(r)
}

func (t *telling) print(r tryout.Result) {
	text := ""
	if t.scenes == 0 || r.Scene != t.last {
		t.scenes, t.last = t.scenes+1, r.Scene
		text = scenes[r.Scene].words + "\n"
	}
	text += fmt.Sprintf("  %-9s  %s", r.State, r.Name)
	if r.Saw != "" {
		text += ": " + r.Saw
	}
	const indent = "             "
	if r.Do != "" {
		text += "\n" + indent + r.Do
	}
	t.failed = errors.Join(t.failed, t.visit.print("%s\n", wrapped(text, screenWidth, indent)))
}
