package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"time"
)

// wires writes a dump of wires in steps of 1 ns, each of which is high at first and changes behind each of its halves.
type wires struct {
	names  []string
	halves [][]time.Duration
}

func (w *wires) add(name string, halves []time.Duration) {
	w.names, w.halves = append(w.names, name), append(w.halves, halves)
}

func (w wires) dump() []byte {
	var text bytes.Buffer
	text.WriteString("$timescale 1 ns $end\n$scope module quay $end\n")
	for i, name := range w.names {
		fmt.Fprintf(&text, "$var wire 1 %c %s $end\n", '!'+i, name)
	}
	text.WriteString("$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n")
	due, next := make([]time.Duration, len(w.names)), make([]int, len(w.names))
	for i := range w.names {
		fmt.Fprintf(&text, "1%c\n", '!'+i)
		if len(w.halves[i]) > 0 {
			due[i] = w.halves[i][0]
		}
	}
	text.WriteString("$end\n")
	for {
		first := -1
		for i, halves := range w.halves {
			if next[i] < len(halves) && (first < 0 || due[i] < due[first]) {
				first = i
			}
		}
		if first < 0 {
			return text.Bytes()
		}
		next[first]++
		fmt.Fprintf(&text, "#%d\n%d%c\n", due[first], 1-next[first]%2, '!'+first)
		if next[first] < len(w.halves[first]) {
			due[first] += w.halves[first][next[first]]
		}
	}
}

// clock is halves of one length, for so long.
func clock(half, long time.Duration) []time.Duration {
	return slices.Repeat([]time.Duration{half}, int(long/half))
}

// noise is halves of lengths at random, for so long.
func noise(mean, long time.Duration) (halves []time.Duration) {
	dice := rand.New(rand.NewPCG(1, 2))
	for at := time.Duration(0); at < long; at += halves[len(halves)-1] {
		halves = append(halves, 1+time.Duration(dice.Int64N(int64(2*mean))))
	}
	return halves
}

func TestTheSignalIsFoundAmongEightChannels(t *testing.T) {
	const long = 60 * time.Millisecond
	signal := idles(8)
	for place := range 8 {
		var w wires
		others := []struct {
			name   string
			halves []time.Duration
		}{
			{"still", nil}, {"once", []time.Duration{time.Millisecond}}, {"clock", clock(10*time.Microsecond, long)},
			{"ones", clock(58*time.Microsecond, long)}, {"zeros", clock(100*time.Microsecond, long)}, {"noise", noise(70*time.Microsecond, long)},
			{"lines", noise(time.Millisecond, long)},
		}
		for _, other := range slices.Insert(others, place, struct {
			name   string
			halves []time.Duration
		}{"rail", signal}) {
			w.add(other.name, other.halves)
		}
		text := w.dump()
		all, err := record(bytes.NewReader(text), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if all.Signal != "quay.rail" || all.Current != "" || len(all.Channels) != 8 || all.start != signal[0] || !slices.Equal(all.halves, signal[1:]) {
			t.Errorf("place %d: the signal is %q with %d halves from %v on, want quay.rail with %d from %v on", place, all.Signal, len(all.halves),
				all.start, len(signal)-1, signal[0])
		}
		if chosen, err := record(bytes.NewReader(text), Options{Signal: "ones"}); err != nil || chosen.Signal != "quay.ones" {
			t.Errorf("asked for ones: %q, %v", chosen.Signal, err)
		}
	}
}

func TestALateSignalIsTheChannelWithGoodBitsOrElseTheMostCrossings(t *testing.T) {
	for name, c := range map[string]struct {
		others [][]time.Duration
		want   string
	}{
		"good bits": {[][]time.Duration{clock(10*time.Microsecond, time.Second), clock(58*time.Microsecond, time.Millisecond), nil}, "quay.b"},
		"crossings": {[][]time.Duration{clock(30*time.Microsecond, time.Millisecond), nil, clock(20*time.Microsecond, time.Millisecond)}, "quay.c"},
	} {
		var w wires
		for i, halves := range c.others {
			w.add(string(rune('a'+i)), halves)
		}
		if all, err := record(bytes.NewReader(w.dump()), Options{}); err != nil || all.Signal != c.want {
			t.Errorf("%s: the signal is %q (%v), want %q", name, all.Signal, err, c.want)
		}
	}
}

// The beginning is read again from where it is kept, and what comes behind it from the reader.
func TestACaptureBeyondWhatOpenReadsIsReadWhole(t *testing.T) {
	var w wires
	signal := idles(3000)
	w.add("still", nil)
	w.add("rail", signal)
	text := w.dump()
	if len(text) < 3*mostTape/2 {
		t.Fatalf("a dump of %d bytes, want more", len(text))
	}
	all, err := record(bytes.NewReader(text), Options{})
	if err != nil || !slices.Equal(all.halves, signal[1:]) {
		t.Errorf("%d halves (%v), want %d", len(all.halves), err, len(signal)-1)
	}
}

// What can't have the signal takes no place among the channels in which it is looked for.
func TestTheSignalIsFoundBehindThousandsOfBuses(t *testing.T) {
	text := "$timescale 1 ns $end\n"
	for i := range mostVariables - 2 {
		text += fmt.Sprintf("$var wire 8 v%d bus%d $end\n", i, i)
	}
	var w wires
	w.add("rail", idles(8))
	w.add("clock", clock(10*time.Microsecond, 60*time.Millisecond))
	text = strings.Replace(string(w.dump()), "$timescale 1 ns $end\n", text, 1)
	if all, err := record(strings.NewReader(text), Options{}); err != nil || all.Signal != "quay.rail" {
		t.Errorf("the signal is %q (%v), want quay.rail", all.Signal, err)
	}
}

func TestTheSignalIsFoundInEveryForm(t *testing.T) {
	signal := idles(8)
	var lines strings.Builder
	lines.WriteString("time_us,spare,rail,ack\n0,1,1,0\n")
	samples := make([]int16, 0, 2*12_000) // a quiet channel, and one with the signal
	at, level, second := time.Duration(0), int16(1), time.Second
	for _, half := range signal {
		for at += half; time.Duration(len(samples)/2)*second/192_000 < at; {
			samples = append(samples, int16(len(samples)%3), 8000*level)
		}
		level = -level
		fmt.Fprintf(&lines, "%d,1,%d,%d\n", at.Microseconds(), (1+level)/2, at/(7*time.Millisecond)%2)
	}
	for name, c := range map[string]struct {
		text            []byte
		signal, current string
		within          time.Duration // of the halves that were sent
	}{
		"lines": {[]byte(lines.String()), "rail", "ack", 0},
		"WAV":   {stereo(samples), "2", "", 6 * time.Microsecond},
	} {
		all, err := record(bytes.NewReader(c.text), Options{})
		if err != nil || all.Signal != c.signal || all.Current != c.current {
			t.Errorf("%s: signal %q, current %q (%v), want %q and %q", name, all.Signal, all.Current, err, c.signal, c.current)
			continue
		}
		if len(all.halves) < len(signal)-2 {
			t.Errorf("%s: %d halves, want %d", name, len(all.halves), len(signal)-2)
			continue
		}
		for i, half := range all.halves {
			if (half - signal[i+1]).Abs() > c.within {
				t.Errorf("%s: half %d is %v, want %v", name, i, half, signal[i+1])
			}
		}
	}
}

func TestTheCurrentIsTheChannelWhoseNameSaysSo(t *testing.T) {
	for _, c := range []struct {
		names   []string
		o       Options
		signal  string
		current string
	}{
		{[]string{"rail", "current"}, Options{}, "quay.rail", "quay.current"},
		{[]string{"trackCurrent", "rail"}, Options{}, "quay.rail", "quay.trackCurrent"},
		{[]string{"rail", "still", "ACK1"}, Options{}, "quay.rail", "quay.ACK1"},
		{[]string{"rail", "draw_mA"}, Options{}, "quay.rail", "quay.draw_mA"},
		{[]string{"rail", "track", "mask", "mark"}, Options{}, "quay.rail", ""},
		{[]string{"rail", "ack", "spare"}, Options{Current: "spare"}, "quay.rail", "quay.spare"},
		{[]string{"current", "ack"}, Options{Signal: "current"}, "quay.current", "quay.ack"},
		{[]string{"current"}, Options{}, "quay.current", ""}, // what there is of channels is the signal
	} {
		var w wires
		for i, name := range c.names {
			halves := clock(time.Millisecond, 60*time.Millisecond)
			if name == "rail" || name == "current" && i == 0 {
				halves = idles(8)
			}
			w.add(name, halves)
		}
		all, err := record(bytes.NewReader(w.dump()), c.o)
		if err != nil || all.Signal != c.signal || all.Current != c.current {
			t.Errorf("%q, %+v: signal %q, current %q (%v), want %q and %q", c.names, c.o, all.Signal, all.Current, err, c.signal, c.current)
		}
		if (len(all.current) > 0) != (c.current != "") {
			t.Errorf("%q, %+v: %d currents", c.names, c.o, len(all.current))
		}
	}
}

func TestAChannelIsNamedByTheLastPartOfItsNameWhereNoOtherHasIt(t *testing.T) {
	text := "$timescale 1 us $end $var wire 1 a rail $end $scope module quay $end $var wire 1 b rail $end $var wire 1 c berth $end $upscope $end" +
		" $scope module yard $end $var wire 1 d rail $end $upscope $end $scope module slip $end $var wire 1 e berth[0] $end" +
		" $var wire 1 f hulk $end $upscope $end $scope module dock $end $var wire 1 g hulk $end $enddefinitions $end #0 1a 1b 1c 1d 1e 1f 1g #5 0c"
	for name, want := range map[string]string{"rail": "rail", "quay.rail": "quay.rail", "berth": "quay.berth", "berth[0]": "slip.berth[0]", "hulk": "",
		"dock.hulk": "dock.hulk", "quay": "", "": "quay.berth", "Rail": ""} {
		c, err := Open(strings.NewReader(text), Options{Signal: name})
		switch {
		case want == "" && err == nil:
			t.Errorf("%q: %q, want an error", name, c.Info().Signal)
		case want == "":
			if !strings.Contains(err.Error(), `there are "rail", "quay.rail", "quay.berth", `) {
				t.Errorf("%q: %v, want the channels that there are", name, err)
			}
		case name == "": // only one crosses, but once, and so has no half
			if err == nil {
				t.Errorf("the signal is %q, want an error", c.Info().Signal)
			}
		case err != nil || c.Info().Signal != want:
			t.Errorf("%q: %v, want %q", name, err, want)
		}
	}
}

func TestWhatIsNoCaptureOrHasNoSignalIsSaid(t *testing.T) {
	var still, many, most wires
	for i := range 3 {
		still.add(string(rune('a'+i)), nil)
	}
	for i := range 20 {
		many.add(fmt.Sprint("siding", i), nil)
	}
	for i := range mostCandidates { // the last is one too many
		most.add(fmt.Sprint("siding", i), nil)
	}
	most.add("rail", idles(3))
	wide := "$timescale 1 ns $end $var wire 8 ! data $end $var real 64 $ volts $end $var event 1 % go $end $enddefinitions $end"
	for _, c := range []struct {
		text string
		o    Options
		want string
	}{
		{"", Options{}, "capture, byte 0: found the end, want a value change dump, lines of comma-separated values, or a WAV file"},
		{" \n", Options{}, "capture, byte 2: found the end, want a value change dump, lines of comma-separated values, or a WAV file"},
		{"PK\x03\x04", Options{}, `capture, byte 2: found "\x03", want text, of a value change dump, which begins with $, or of comma-separated values,` +
			" or a WAV file that begins with RIFF"},
		{"$timescale 1 ns $end $enddefinitions $end", Options{}, "the capture has no channels"},
		{"$timescale 1 ns $end $enddefinitions $end", Options{Signal: "rail"}, `the capture has no channel "rail"`},
		{string(still.dump()), Options{}, "none of 3 channels changes in the first 170 bytes of the capture: name the channel with the signal" +
			`; there are "quay.a", "quay.b", "quay.c"`},
		{string(many.dump()), Options{Signal: "ra\x1bil"}, `the capture has no channel "ra\x1bil"; there are "quay.siding0", "quay.siding1", ` +
			`"quay.siding2", "quay.siding3", "quay.siding4", "quay.siding5", "quay.siding6", "quay.siding7", "quay.siding8", "quay.siding9", ` +
			`"quay.siding10", "quay.siding11" and 8 more`},
		{string(still.dump()), Options{Signal: "a", Current: "a"}, `channel "quay.a" can't have both the signal and the current` +
			`; there are "quay.a", "quay.b", "quay.c"`},
		{string(most.dump()), Options{}, fmt.Sprintf("none of 64 channels changes in the first %d bytes of the capture", len(most.dump()))},
		{"$comment " + strings.Repeat("y", mostTape) + " $end " + string(still.dump()), Options{}, "the capture has 3 channels, and more than" +
			` 1048576 bytes before the first of what they hold: name the channel with the signal; there are "quay.a", "quay.b", "quay.c"`},
		{wide, Options{Signal: "data"}, `channel "data" is 8 bits wide: want a wire of one bit for the signal`},
		{wide, Options{Signal: "volts"}, `channel "volts" is a real number: want a wire of one bit for the signal`},
		{wide, Options{Signal: "go"}, `channel "go" is an event: want a wire of one bit for the signal`},
		{wide, Options{}, `no channel has a signal: channel "go" is an event: want a wire of one bit for the signal`},
		{wide, Options{Signal: "data", Current: "go"}, `channel "data" is 8 bits wide: want a wire of one bit for the signal`},
	} {
		if _, err := Open(strings.NewReader(c.text), c.o); err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%.60q, %+v: %v\nwant %s", c.text, c.o, err, c.want)
		}
	}
}

// A variable whose name says that it is the current need not be one that can be.
func TestACurrentThatCanNotBeReadIsNoneUnlessItWasAskedFor(t *testing.T) {
	text := "$timescale 1 us $end $var wire 1 ! rail $end $var wire 12 $ current $end $enddefinitions $end #0 1! b101 $ #58 0! #116 1!"
	for _, o := range []Options{{}, {Signal: "rail"}} {
		if all, err := record(strings.NewReader(text), o); err != nil || all.Current != "" || len(all.halves) != 1 {
			t.Errorf("%+v: %d halves, current %q (%v), want 1 and none", o, len(all.halves), all.Current, err)
		}
	}
	want := `channel "current" is no wire of one bit, nor a real number: want one of them for the current`
	if _, err := record(strings.NewReader(text), Options{Current: "current"}); err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}

func TestAnErrorOfTheReaderComesThroughBehindWhatCameBeforeIt(t *testing.T) {
	broken := errors.New("the cable is out")
	var w wires
	w.add("rail", idles(300))
	w.add("still", nil)
	text := w.dump()
	for _, o := range []Options{{}, {Signal: "rail"}} {
		for _, size := range []int{0, 100, 1000, len(text) - 1, len(text)} {
			all, err := record(io.MultiReader(bytes.NewReader(text[:size]), iotest.ErrReader(broken)), o)
			if !errors.Is(err, broken) {
				t.Errorf("%+v, %d bytes: %v, want %v", o, size, err, broken)
			}
			if o.Signal != "" && size == len(text) && len(all.halves) < len(idles(300))-2 {
				t.Errorf("%d halves before the error, want nearly %d", len(all.halves), len(idles(300)))
			}
		}
	}
}

// idle gives nothing, and no error.
type idle struct{}

func (idle) Read([]byte) (int, error) { return 0, nil }

func TestAReaderThatGivesNothingIsNotWaitedForForEver(t *testing.T) {
	signal := idles(30)
	text := asWritten(t, func(b *bytes.Buffer) error { return WriteVCD(b, slices.Values(signal)) })
	all, err := record(io.MultiReader(bytes.NewReader(text), idle{}), Options{})
	if !errors.Is(err, io.ErrNoProgress) || !slices.Equal(all.halves, signal[1:]) {
		t.Errorf("%v behind %d halves, want %v behind %d", err, len(all.halves), io.ErrNoProgress, len(signal)-1)
	}
}

func TestTheFirstErrorStays(t *testing.T) {
	c, err := Open(strings.NewReader("$timescale 1 us $end $var wire 1 ! rail $end $enddefinitions $end #0 1! #58 0! #116 1! #1 0! #200 1!"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var b Batch
	if err := c.Next(&b); err != nil {
		t.Errorf("%v before the error", err)
	}
	for range 2 {
		if err := c.Next(&b); err == nil || !strings.HasPrefix(err.Error(), `VCD, line 1: found "#1", want `) || len(b.Halves) > 0 {
			t.Errorf("%v with %v, want the error and nothing else", err, b)
		}
	}
}
