package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/wave"
	"fettle/nmra/wave/capture"
	"fettle/nmra/wave/conform"
	"fettle/nmra/wave/session"
	"fettle/prog/regset"
	"fettle/report/chart"
)

// newSignal makes the verb signal.
func newSignal() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "signal CAPTURE [flags]",
		Short: "Find packets and faults in a captured track signal, held against S-9.1 and S-9.2.",
		Long: `CAPTURE is a recording of the voltage between the rails, - is standard input: a value change dump (VCD) of a logic
analyser; lines of comma-separated values (CSV), of levels or of voltages, under a header that names them and the
unit of time, as time_us,rail; or a WAV file of a sound card. Its form, and which of its channels has the signal, are
found. Each packet and each fault is told with its time, then what the signal is by each rule of S-9.1 and S-9.2.

With voltages it is told how high they are, and where the half-waves differ, as they do in a section before a signal
at danger. A sound card that does not pass a steady voltage loses that difference.

What a programmer asks on its programming track is told too, and with a channel of the track's current what the
decoder answered; --survey keeps what that proves.

Careful: no computer's input takes the voltage of a track. Use a divider or an opto-coupler, made for the purpose, and
mind that the instrument's ground may be joined to the mains earth, and to other boosters.`,
		Example:               "  fettle signal quay.vcd\n  fettle signal quay.wav --full-scale 20 --scale h0 --plot quay.svg",
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 1 {
				return misuse(cmd, "found %d captures: want one, the name of its file, or - for standard input", len(args))
			}
			return nil
		},
	}, map[status]string{
		done:    "there are packets, no fault, and no rule is broken",
		saidNo:  "a fault was found, a rule is broken, or there is no packet",
		badUse:  "bad use, or a bad file: what came before the place is told all the same",
		stopped: "stopped half-way: what came before is told all the same",
	})
	var o signalFlags
	flags := cmd.Flags()
	flags.StringVar(&o.Signal, "channel", "", "the `NAME` of the channel that has the signal, where it is not to be found")
	flags.StringVar(&o.Current, "current", "", "the `NAME` of the channel that has the track's current, or acknowledgements as a level")
	flags.Var(quantity[wave.Volts]{&o.FullScale, "volts"}, "full-scale", "of a WAV file: how many `VOLTS` its full scale is")
	flags.Var(quantity[wave.Milliamps]{&o.FullScaleCurrent, "milliamps"}, "full-scale-current",
		"of a WAV file with a channel of current: how many `MILLIAMPS` its full scale is")
	flags.Var(scaleFlag{&o.scale}, "scale", "hold the voltages against those of `SCALE`: "+"z, n, h0, s, 0 or large")
	mainTrack := addBaselineSteps(cmd)
	flags.StringVar(&o.survey, "survey", "", "write what was proven of the decoder to the new `FILE`")
	flags.StringVar(&o.plot, "plot", "", "draw the halves, the faults and the voltages to `FILE`.svg")
	asJSON := new(bool)
	addMark(flags, asJSON, true, "json", "print JSON documents instead, one a line: each packet, fault and question, then the summary")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if o.plot != "" && !strings.EqualFold(filepath.Ext(o.plot), ".svg") {
			return misuse(cmd, "--plot %s: want a name that ends in .svg", o.plot)
		}
		if o.survey != "" {
			if _, err := os.Lstat(o.survey); !errors.Is(err, fs.ErrNotExist) {
				return misuse(cmd, "--survey %s: it is there already, want a new name, or move it away", o.survey)
			}
		}
		o.mainTrack = mainTrack()
		var t teller = newSignalWords(cmd.OutOrStdout())
		if *asJSON {
			t = newSignalLines(cmd.OutOrStdout())
		}
		return o.listen(cmd, args[0], t)
	}
	return cmd
}

// signalFlags are the flags of the verb signal.
type signalFlags struct {
	capture.Options
	scale        conform.Scale
	mainTrack    nmra.Track
	survey, plot string
}

// teller says what is heard in a signal: all of it in the order of time, then what it comes to.
type teller interface {
	packet(p heardPacket) error
	fault(f wave.Finding) error
	question(q session.Question, levels bool) error // levels: the current channel says only whether there is an acknowledgement
	flush() error
	end(h hearing) error
}

// heardPacket is a packet as it was meant where it was heard.
type heardPacket struct {
	wave.Finding
	service     bool
	instruction nmra.Instruction
	err         error // it means nothing
	alone       bool  // it means something in service mode only, and no reset led into that
}

// hearing is what a signal comes to.
type hearing struct {
	name      string // of the file
	info      capture.Info
	result    conform.Result
	voltage   conform.Voltage
	scale     conform.Scale
	questions int
	answers   int // acknowledgements
	known     session.Holdings
	strips    []conform.Strip
	surveyed  string // the file that what is known went to
	missing   int64  // bytes that the capture says it has, and has not
}

// listen hears a capture from its beginning to its end, or as far as it is one, and says what was heard.
func (o signalFlags) listen(cmd *cobra.Command, path string, t teller) error {
	name, in, closing, err := openCapture(cmd, path)
	if err != nil {
		return err
	}
	defer closing()
	c, err := capture.Open(in, o.Options)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	ear := ear{teller: t, mainTrack: o.mainTrack}
	stoppedAt := ear.hear(cmd.Context(), c)
	switch {
	case stoppedAt == nil:
	case errors.Is(stoppedAt, context.Canceled):
		stoppedAt = failure{stopped, interruption(cmd.Context())}
	default:
		stoppedAt = fmt.Errorf("%s: %w", name, stoppedAt)
	}
	h := ear.heard(name, c.Info(), o.scale)
	h.missing = c.Missing()
	notKept := o.keep(cmd, h)
	if notKept == nil {
		h.surveyed = o.survey
	}
	if err := errors.Join(stoppedAt, ear.failed, t.end(h), notKept); err != nil {
		return err
	}
	if h.result.Traffic.Packets == 0 || len(h.broken()) > 0 || len(h.result.Traffic.Faults) > 0 {
		return failure{status: saidNo}
	}
	return nil
}

// openCapture opens the file, or standard input, and shows how far it has been read.
func openCapture(cmd *cobra.Command, path string) (name string, r io.Reader, closing func(), err error) {
	if path == "-" {
		return "standard input", untilStopped{cmd.Context(), cmd.InOrStdin()}, func() {}, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return "", nil, nil, err
	}
	info, err := f.Stat()
	if err == nil && info.IsDir() {
		err = fmt.Errorf("%s: found a folder, want the file of a capture", path)
	}
	if err != nil {
		f.Close()
		return "", nil, nil, err
	}
	tell := progress(cmd.ErrOrStderr())
	closing = func() {
		tell("", 0, 0)
		f.Close()
	}
	if !info.Mode().IsRegular() {
		return path, untilStopped{cmd.Context(), f}, closing, nil
	}
	const unit = 1 << 10 // the bar counts kilobytes
	read := func(n int64) { tell("reading "+filepath.Base(path), int(n/unit), int((info.Size()+unit-1)/unit)) }
	return path, &countedReader{f, 0, read}, closing, nil
}

// countedReader says how much of it has been read.
type countedReader struct {
	r    io.Reader
	n    int64
	tell func(n int64)
}

func (w *countedReader) Read(b []byte) (int, error) {
	n, err := w.r.Read(b)
	w.n += int64(n)
	w.tell(w.n)
	return n, err
}

// untilStopped reads from what may never end, or never say anything, until the context ends.
type untilStopped struct {
	ctx context.Context
	r   io.Reader
}

func (u untilStopped) Read(b []byte) (int, error) {
	type result struct {
		n   int
		err error
	}
	// What is read when nobody waits any more must not land in b.
	own := make([]byte, len(b))
	read := make(chan result, 1)
	go func() {
		n, err := u.r.Read(own)
		read <- result{n, err}
	}()
	select {
	case r := <-read:
		return copy(b, own[:r.n]), r.err
	case <-u.ctx.Done():
		return 0, u.ctx.Err()
	}
}

// ear takes a signal apart and gives each part to what hears it.
type ear struct {
	teller    teller
	mainTrack nmra.Track
	failed    error // of the teller
	numbers   bool  // the current is in numbers, not in levels

	meter     conform.Meter
	volts     conform.Voltmeter
	strips    conform.Strips
	listener  session.Listener
	current   []capture.Current // of the batch, that the listener has not had
	questions int
	answers   int
}

// hear hears a capture to its end. The error is what it stopped at, if there is something.
func (e *ear) hear(ctx context.Context, c *capture.Capture) error {
	begun := false
	for b := (capture.Batch{}); e.failed == nil; {
		if err := ctx.Err(); err != nil {
			return err
		}
		err := c.Next(&b)
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		if !begun && len(b.Halves) > 0 {
			begun, e.meter.Start, e.meter.Step = true, b.Start, c.Info().Doubt()
		}
		e.batch(&b)
	}
	e.found(e.meter.End())
	e.listener.End()
	e.asked()
	return nil
}

func (e *ear) batch(b *capture.Batch) {
	e.strips.Halves(b.Start, b.Halves, b.Volts)
	if len(b.Volts) > 0 {
		e.volts.Halves(b.Start, b.Halves, b.Volts)
	}
	e.current = b.Current
	for halves := b.Halves; len(halves) > 0; {
		n, found := e.meter.Scan(halves)
		halves = halves[n:]
		e.found(found)
	}
	e.draws(forever)
	e.told(e.teller.flush())
}

const forever time.Duration = math.MaxInt64

// draws takes the current up to an instant, and tells the questions whose time is over.
func (e *ear) draws(until time.Duration) {
	for len(e.current) > 0 && e.current[0].At <= until {
		drawn := e.current[0].Milliamps
		e.numbers = e.numbers || drawn != 0 && drawn != capture.AckLevel
		e.listener.Current(e.current[0].At, drawn)
		e.current = e.current[1:]
	}
	e.asked()
}

// told keeps the first error of the teller.
func (e *ear) told(err error) {
	if e.failed == nil {
		e.failed = err
	}
}

func (e *ear) found(f wave.Finding) {
	if f.Kind == wave.NothingFound {
		return
	}
	e.strips.Found(f, 0)
	e.listener.Packet(f)
	e.draws(f.End)
	if f.Kind == wave.FaultFound {
		e.told(e.teller.fault(f))
		return
	}
	p := heardPacket{Finding: f, service: e.listener.ServiceMode()}
	track := e.mainTrack
	if p.service {
		track = nmra.ServiceTrack
	}
	p.instruction, p.err = f.Packet.Instruction(track)
	if p.err != nil && !p.service {
		if i, err := f.Packet.Instruction(nmra.ServiceTrack); err == nil && i.Kind.Service() {
			p.instruction, p.err, p.alone = i, nil, true
		}
	}
	e.told(e.teller.packet(p))
}

// asked tells the questions whose time is over.
func (e *ear) asked() {
	for q, ok := e.listener.Next(); ok; q, ok = e.listener.Next() {
		e.questions++
		if q.Answer == session.Acknowledged {
			e.answers++
		}
		e.told(e.teller.question(q, !e.numbers))
	}
}

func (e *ear) heard(name string, info capture.Info, scale conform.Scale) hearing {
	h := hearing{
		name: name, info: info, scale: scale, result: e.meter.Result(), known: e.listener.Known(),
		questions: e.questions, answers: e.answers, strips: e.strips.List(),
	}
	if info.Volts {
		h.voltage = e.volts.Result(scale)
	}
	return h
}

// rules are those that the signal was held against.
func (h hearing) rules() []conform.Rule {
	return append(h.result.Rules[:len(h.result.Rules):len(h.result.Rules)], h.voltage.Rules...)
}

func (h hearing) broken() (rules []conform.Rule) {
	for _, r := range h.rules() {
		if r.Verdict == conform.Broken {
			rules = append(rules, r)
		}
	}
	return rules
}

// keep writes the files that were asked for.
func (o signalFlags) keep(cmd *cobra.Command, h hearing) error {
	if o.plot != "" {
		var picture strings.Builder
		drawn := chart.Signal{Title: h.name + ", channel " + h.info.Signal, Result: h.result, Voltage: h.voltage, Strips: h.strips}
		if err := drawn.WriteSVG(&picture); err != nil {
			return err
		}
		if err := regset.WriteFile(o.plot, []byte(picture.String())); err != nil {
			return err
		}
	}
	if o.survey == "" {
		return nil
	}
	switch {
	case h.info.Current == "":
		return misuse(cmd, "--survey: %s has no channel of the track's current, so no answer is known: want one, named by --current", h.name)
	case len(h.known.Registers) == len(h.known.Written):
		return failure{saidNo, fmt.Errorf("--survey: nothing in %s proves what a register holds, so nothing is written", h.name)}
	}
	return regset.WriteFile(o.survey, h.survey(time.Now()).Append(nil))
}

// survey is what was proven of the decoder, as a survey. A register that was written and not asked for since is not: a decoder may
// acknowledge a write, and keep what it allows.
func (h hearing) survey(now time.Time) regset.Survey {
	s := regset.Survey{
		When: now.Truncate(time.Second), Station: "heard in " + filepath.Base(h.name),
		Registers: maps.Clone(h.known.Registers), Absent: h.known.Absent, Unsure: slices.Concat(h.known.Unsure, h.known.Written), Pages: h.known.Pages,
	}
	for _, r := range h.known.Written {
		delete(s.Registers, r)
	}
	for number, to := range map[nmra.CV]**uint8{8: &s.Decoder.Maker, 7: &s.Decoder.Version} {
		if value, ok := s.Registers[cv.Register{CV: number}]; ok {
			*to = &value
		}
	}
	return s
}
