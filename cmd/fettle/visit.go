package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strconv"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"fettle/prog"
	"fettle/prog/journal"
	"fettle/prog/sheet"
	"fettle/station"
)

// trackFlags are those of a verb that works on the programming track.
type trackFlags struct {
	*stationFlags
	bound  float64
	asJSON *bool
	record string // the file for a recording of the track
}

func addTrack(cmd *cobra.Command) *trackFlags {
	t := &trackFlags{stationFlags: addStation(cmd), bound: prog.DefaultBound, asJSON: jsonFlag(cmd)}
	cmd.Flags().Var(chance{&t.bound}, "bound", "the `CHANCE` of a wrong value up to which a value counts as read")
	cmd.Flags().StringVar(&t.record, "record", "", "on the bench: take down what is on its track, to `FILE`.csv with the current, or .vcd or .wav without")
	return t
}

// chance is a flag's chance of a wrong value.
type chance struct{ to *float64 }

const leastChance, mostChance = 1e-12, 0.01

func (c chance) Set(s string) error {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || !(x >= leastChance && x <= mostChance) {
		return fmt.Errorf("want a chance from %g to %g, as 1e-6", leastChance, mostChance)
	}
	*c.to = x
	return nil
}

func (c chance) String() string {
	if c.to == nil {
		return ""
	}
	return strconv.FormatFloat(*c.to, 'g', -1, 64)
}

func (chance) Type() string { return "number" }

// trackExits says in the help of a verb of the programming track what its exit statuses mean: yes when done, no when the decoder says no,
// and what is left when it was stopped.
func trackExits(cmd *cobra.Command, yes, no, left string) *cobra.Command {
	return exits(cmd, map[status]string{
		done:          yes,
		saidNo:        no,
		badUse:        "bad use, or a bad file",
		stationFailed: "the station failed, or an overload; what was begun can be gone on with",
		noDecoder:     "nothing answers, or more than one decoder does",
		stopped:       left,
	})
}

// visit is one stay of a decoder on the programming track, as a verb sees it.
type visit struct {
	*prog.Session
	recorder journal.Keeper
	station  stationDocument
	stdout   io.Writer
	asJSON   bool
	progress func(doing string, done, of int)
	folder   string // of new journals
	sheet    sheet.Sheet
	flags    string // that bring a command to the same station, with a space before each
	stopper  func() interrupted
	answered bool // the document has been printed
}

// job is what a verb does during a visit.
type job func(ctx context.Context, v *visit) error

// stationDocument is what every --json says of the station.
type stationDocument struct {
	Station   string `json:"station"`
	Simulated bool   `json:"simulated"`
}

// costDocument is what every --json says of the work.
type costDocument struct {
	Operations int   `json:"operations"`
	AirtimeMS  int64 `json:"airtime_ms"`
}

// refusalDocument is what --json says where the decoder says no and there is nothing else to say.
type refusalDocument struct {
	stationDocument
	Refused string `json:"refused"`
}

// visit opens the station, says which it is, does the job, and turns the track off whatever happens.
func (t *trackFlags) visit(cmd *cobra.Command, do job) (err error) {
	s, err := t.open()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	v := &visit{
		stdout: cmd.OutOrStdout(), asJSON: *t.asJSON,
		progress: progress(cmd.ErrOrStderr()), folder: ".", flags: t.flags(),
	}
	if err := v.arrive(s); err != nil {
		return err
	}
	track, ok := s.(station.ProgrammingTrack)
	if !ok {
		return failure{badUse, fmt.Errorf("%v: it has no programming track", s.Describe())}
	}
	if t.record != "" {
		keep, failed := record(cmd, s, t.record)
		if failed != nil {
			return failed
		}
		defer func() { err = errors.Join(err, keep()) }()
	}
	return v.work(cmd.Context(), track, t.bound, do)
}

// flags repeats the flags that say which station it is.
func (s *stationFlags) flags() string {
	if s.where == "" {
		return ""
	}
	return " --station " + shellWord(s.where)
}

// work starts a session on a track and does the job.
func (v *visit) work(ctx context.Context, track station.ProgrammingTrack, bound float64, do job) error {
	v.recorder, v.answered = journal.Keeper{}, false
	v.stopper = func() interrupted { return interruption(ctx) }
	v.keepPages(ctx)
	var err error
	if v.Session, err = prog.Start(ctx, watch(track), bound, &v.recorder); err == nil {
		v.Progress = v.progress
		err = do(ctx, v)
		if v.recorder.Journal == nil {
			err = v.leavePages(ctx, err)
		}
	}
	if err = v.said(err); err != nil && err.Error() != "" {
		v.progress("", 0, 0)
		if v.asJSON && !v.answered && statusOf(err) == saidNo {
			err = errors.Join(err, printJSON(v.stdout, refusalDocument{v.station, err.Error()}))
		}
	}
	return err
}

// arrive says which station it is.
func (v *visit) arrive(s station.Station) error {
	d := s.Describe()
	v.station = stationDocument{d.String(), d.Simulated}
	return v.print("%v\n\n", d)
}

// said gives the error of a job its status, and puts what happened first. One that is neither the station's nor that of a file is what the
// decoder said.
func (v *visit) said(err error) error {
	var own failure
	var file *fs.PathError
	var access accessFailed
	switch {
	case err == nil || errors.As(err, &own):
		return err
	case errors.Is(err, context.Canceled):
		return failure{stopped, v.stopper()}
	case errors.Is(err, syscall.EPIPE) && v.journalPath() != nil:
		return failure{badUse, fmt.Errorf("%w\njournal:  %s", errClosed, *v.journalPath())}
	case errors.As(err, &access):
		return failure{statusOf(err), fmt.Errorf("%w\nat:  %v", access.err, access.asked)}
	case statusOf(err) != badUse || errors.As(err, &file):
		return err
	}
	return failure{saidNo, err}
}

// print prints for people; a program gets its document in the end.
func (v *visit) print(format string, args ...any) error {
	if v.asJSON {
		return nil
	}
	return printText(v.stdout, format, args...)
}

// answer prints what came of a job: text for people, or document.
func (v *visit) answer(text string, document any) error {
	if v.asJSON {
		v.answered = true
		return printJSON(v.stdout, document)
	}
	return v.print("%s", text)
}

func (v *visit) cost() costDocument {
	t := v.Tally()
	return costDocument{t.Operations, t.Airtime.Milliseconds()}
}

// taken says what it has taken so far: "214 questions, 9.6 s on the track."
func (v *visit) taken() string {
	t := v.Tally()
	return fmt.Sprintf("%s, %.1f s on the track.", count(t.Operations, "question"), t.Airtime.Seconds())
}

// untouched says what was written of a decoder that is as it was.
func (v *visit) untouched() string {
	if v.recorder.Turned {
		return "nothing was written but 31 and 32, which are put back"
	}
	return "nothing was written"
}

// sentence makes a sentence of words.
func sentence(words string) string { return strings.ToUpper(words[:1]) + words[1:] + "." }

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// shellWord quotes a word of a command where a shell would not take it as it is.
func shellWord(s string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_./:+@%,", r)
	}
	if s != "" && strings.IndexFunc(s, func(r rune) bool { return !plain(r) }) < 0 {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
