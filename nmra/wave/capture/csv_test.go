package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"fettle/nmra"
	"fettle/nmra/wave"
)

func TestTheHeaderNamesTheUnitOfTheTime(t *testing.T) {
	want := micros(58, 58, 100)
	for _, c := range []struct{ header, lines string }{
		{"time_us,rail", "0,1\n4,0\n62,1\n120,0\n220,1\n"}, // as WriteCSV has it
		{"time_s,rail", "0,1\n0.000004,0\n6.2e-5,1\n12e-5,0\n0.22E-3,1\n"},
		{"Time (s),rail", "0,1\n4e-6,0\n62e-6,1\n+120.000e-6,0\n.22e-3,1\n"},
		{"time [ms];rail", "0;1\n0,004;0\n0.062;1\n0,12;0\n0,22;1\n"},
		{"TIME_NS\trail", "0\t1\n4000\t0\n62000\t1\n120000\t0\n220000\t1\n"},
		{"t/ps,rail", "0,1\n4000000,0\n62000000,1\n120000000,0\n220000000,1\n"},
		{"time_ps,rail", "0,1\n4000499,0\n61999500,1\n120000000,0\n219999999.9,1\n"}, // to the nearest nanosecond
		{"time in \u00B5s,rail", "-4,1\n0,0\n58,1\n116,0\n216,1\n"},
		{"Time [\u03BCs],rail", "1e9,1\n1000000004,0\n1000000062,1\n1000000120,0\n1000000220,1\n"},
		{"us,rail", "0,1\n4,0\n62,1\n120,0\n220,1"},
		{`"time ""quay"" (us)" , "rail" `, ` "0" , "1" ` + "\n 4,0\n\"62\" ,1\n120, 0\n220,1\n"},
		{`"time; quay (us)",rail`, "0,1\n4,0\n62,1\n120,0\n220,1\n"},
		{"ms counter,time_us,rail", "7,0,1\n7,4,0\n7,62,1\n7,120,0\n7,220,1\n"},
		{"rail,time_us,lamp", "1,0,0\n0,4,0\n1,62,0\n0,120,0\n1,220,0\n"},
		{"time_us,rail,", "0,1\n4,0,\n62,1,\n120,0\n220,1,\n"},
		{"time,rail", "0,1\n0.000004,0\n0.000062,1\n0.00012,0\n0.00022,1\n"}, // no unit, and no whole numbers: seconds
		{"timestamp,rail", "0,1\n4e-6,0\n62e-6,1\n120e-6,0\n220e-6,1\n"},
		{"\n\n# quay line\n; as found\ntime_us,rail\n", "0,1\n4,0\n\n62,1\n120,0\n\n220,1\n\n\n"},
		{"# time_us,rail\n", "0,1\n4,0\n62,1\n120,0\n220,1\n"}, // the header is made a comment
		{"# quay line, on 3 May", "0.0,1\n4e-6,0\n62e-6,1\n120e-6,0\n220e-6,1\n"},
		{"\xEF\xBB\xBFtime_us,rail", "0,true\n4,FALSE\n62,True\n120,false\n220,1\n"},
	} {
		for _, end := range []string{"\n", "\r\n"} {
			text := strings.ReplaceAll(c.header+"\n"+c.lines, "\n", end)
			got, err := record(strings.NewReader(text), Options{})
			if err != nil || !slices.Equal(got.halves, want) {
				t.Errorf("%q: %v (%v), want %v", text, got.halves, err, want)
			}
		}
	}
}

func TestTimesAreThoseOfTheLines(t *testing.T) {
	got, err := record(strings.NewReader("time_us,rail\n-50,1\n-10,0\n48,1\n"), Options{})
	if err != nil || got.start != -10*time.Microsecond || !slices.Equal(got.halves, micros(58)) {
		t.Errorf("%v from %v on (%v), want %v from -10µs on", got.halves, got.start, err, micros(58))
	}
}

func TestEveryMistakeInLinesIsFoundWithItsPlace(t *testing.T) {
	const head = "time_us,rail\n0,1\n"
	named := Options{Signal: "rail"}
	many := strings.Repeat("0,", 70)
	long := head + strings.Repeat("5,1\n", lookedAt)
	for _, c := range []struct {
		text, want string
		o          Options
	}{
		{"time_us,rail\n", `line 2: found the end, want a time and what one channel or more have then`, Options{}},
		{"# nothing\n", `line 2: found the end, want a time and what`, Options{}},
		{"quay line\n", `line 1: found "quay line", want a time and what one channel or more have then, with commas, semicolons or tabs`, Options{}},
		{"place,rail\n0,1\n", `line 1: found "place", want a column that the header names time, with its unit: time_s, time_ms, time_us`, Options{}},
		{"time_us,rail\nplace,1\n", `line 2: found "place", want a number, the time, in column 1, "time_us"`, Options{}},
		{"NaN,1\n0,1\n", `line 1: found "NaN", want a column that the header names time`, Options{}},
		{"time,rail\n0,1\n58,0\n", `line 1: found "time", want a column that the header names time, with its unit`, Options{}},
		{"0,1\n58,0\n", `line 1: found "0", want a column that the header names time, with its unit`, Options{}},
		{"time_min,rail\n0.1,1\n", `line 1: found "time_min", want a column that the header names time, with its unit`, Options{}},
		{`time_us,"rail` + "\n0,1\n", `line 1: found "time_us,\"rail", want a quote that ends the cell, on the same line`, Options{}},
		{`time_us,"rail"x` + "\n0,1\n", `want nothing between the quote that ends a cell and a comma`, Options{}},
		{head + `58,"0"0`, `line 3: found "58,\"0\"0", want nothing between the quote that ends a cell and a comma`, Options{}},
		{head + `58,"0`, `line 3: found "58,\"0", want a quote that ends the cell`, Options{}},
		{long + "\n\n58,2\n", `line 1005: found "2", want a level as on the lines before, 0 or 1 (a voltage has V in its name), in column 2, "rail"`, named},
		{head + "58\n", `line 3: found "58", want 2 values with a comma between them, as there are columns on line 1`, named},
		{head + "58,0,1\n", `line 3: found "58,0,1", want 2 values with a comma between them, as there are columns on line 1 (where commas are decimal`, named},
		{"# x\ntime_us\trail\n0\t1\n58\t0\t1\n", `line 4: found "58\t0\t1", want 2 values with a tab between them, as there are columns on line 2`, named},
		{head + "58,\n", `line 3: found "58,", want a level as on the lines before, 0 or 1 (a voltage has V in its name), that is not left out in column 2`, named},
		{head + "58,0,,\n", `line 3: found "58,0,,", want 2 values`, named},
		{head + ",0\n", `line 3: found ",0", want a number, the time, that is not left out in column 1, "time_us"`, named},
		{"time_us,rail,ack\n0,1,0\n58,,0\n", `line 3: found "58,,0", want a level as on the lines before, 0 or 1 (a voltage has V in its name), that is not left out in column 2`, named},
		{"time_us,rail,ack\n0,,0\n58,1,0\n", `line 2: found "0,,0", want a level, 0 or 1, or a number that is not left out in column 2, "rail"`, named},
		{"time_us,rail,ack\n0,1,0\n" + strings.Repeat("5,1,0\n", lookedAt) + "58,0,7\n",
			`line 1003: found "7", want a level as on the lines before, 0 or 1 (a current has mA in its name), in column 3, "ack"`, Options{Signal: "rail", Current: "ack"}},
		{head + "57,0\n56,1\n", `line 4: found "56", want a time no earlier than 57µs, on the line before, in column 1, "time_us"`, named},
		{head + "NaN,0\n", `line 3: found "NaN", want a number, the time,`, named},
		{head + "Inf,0\n", `line 3: found "Inf", want a number, the time,`, named},
		{head + "0x58,0\n", `line 3: found "0x58", want a number, the time,`, named},
		{head + "1_000,0\n", `line 3: found "1_000", want a number, the time,`, named},
		{head + "5e,0\n", `line 3: found "5e", want a number, the time,`, named},
		{head + "5e1.5,0\n", `line 3: found "5e1.5", want a number, the time,`, named},
		{head + "-,0\n", `line 3: found "-", want a number, the time,`, named},
		{head + "1.5.2,0\n", `line 3: found "1.5.2", want a number, the time,`, named},
		{head + "5\x00,0\n", `line 3: found "5\x00", want a number, the time,`, named},
		{"time_us;rail\n0;1\n1.000,5;0\n", `line 3: found "1.000,5", want a number, the time,`, named},
		{head + "\"58,5\",0\n", `line 3: found "58,5", want a number, the time,`, named},
		{head + "9223372036854776,0\n", `line 3: found "9223372036854776", want no more than 292 years, from 0 and from the first line,`, named},
		{head + "1e99999999999,0\n", `line 3: found "1e99999999999", want no more than 292 years`, named},
		{head + strings.Repeat("9", 10_000) + ",0\n", `line 3: found "9999999999999999999999999999999999999999"..., want no more than 292 years`, named},
		{"time_us,rail\n-9e15,1\n9e15,0\n", `line 3: found "9e15", want no more than 292 years`, named},
		{head + strings.Repeat("0", longestLine+1), `line 3: found "0000000000000000000000000000000000000000"..., want a line of up to 65536 bytes`, named},
		{"# " + strings.Repeat("y", longestLine) + "\n" + head, `line 1: found "# yyyyyyyyyyyyyyyyyyyyyyyyyyyyyyyyyyyyyy"..., want a line of up to`, named},
		{"time_us,volts\n0,12.5\n2,nan\n", `line 3: found "nan", want a number, the voltage, in column 2, "volts"`, Options{}},
		{"time_us,rail\n0,up\n58,down\n116,1\n", `line 2: found "up", want a level, 0 or 1, or a number in column 2, "rail"`, Options{}},
		{"time_us,volts\n0,12.5\n2,-1e10\n", `line 3: found "-1e10", want a number, the voltage,`, Options{}},
		{"time_us,volts\n0,nan\n2,12\n", `line 2: found "nan", want a level, 0 or 1, or a number in column 2, "volts"`, Options{}},
		{"time_us,volts\n0,12.5\n2,-Inf\n", `line 3: found "-Inf", want a number, the voltage,`, Options{}},
		{"time_us,volts\n0,12.5\n2,1e999\n", `line 3: found "1e999", want a number, the voltage,`, Options{}},
		{"time_us,volts\n0,12.5\n2,12.5\n2.0001,-12.5\n2.0002,-12.5\n2.0003,3\n", ``, Options{}}, // less than a nanosecond apart
		{"time_us,volts\n0,12.5\n2.5,12.5\n25.00e-1,-12.5\n", `line 4: found "25.00e-1", want a time for each voltage`, Options{}},
		{"time_us,volts\n0,12.5\n2,12.5\n2,-12.5\n", `line 4: found "2", want a time for each voltage, later than that on the line before,`, Options{}},
		{"time_us,volts\n0,12.5\n2,\n", `line 3: found "2,", want a number, the voltage, that is not left out in column 2, "volts"`, Options{}},
		{"time_us,volts\n0,12.5\n58,-12.5\n116,12.5\n", `channel "volts" has voltages 58µs apart, which show no signal: want them 25µs apart at the most, or else levels`, Options{}},
		{"time_us," + many + "\n" + many, `line 1: found "0", want no more than 64 columns beside the time, or the name of the one with the signal`, Options{}},
		{"time_us,rail,lamp\n0,1,0\n", `the capture has no channel "quay"; there are "rail", "lamp"`, Options{Signal: "quay"}},
		{"time_us,rail_ma,lamp\n0,1,0\n", `channel "rail_ma" is a current: want levels or voltages for the signal`, Options{Signal: "rail_ma"}},
		{"time_us,rail,lamp_v\n0,1,0\n", `channel "lamp_v" is a voltage: want levels, milliamps or amps for the current`,
			Options{Signal: "rail", Current: "lamp_v"}},
	} {
		_, err := record(strings.NewReader(c.text), c.o)
		if c.want == "" {
			if err != nil {
				t.Errorf("%.80q: %v", c.text, err)
			}
		} else if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.80q:\n%v\nwant %s", c.text, err, c.want)
		}
	}
	for _, mark := range []string{"\xFE\xFF", "\xFF\xFE"} {
		_, err := newCSV(strings.NewReader(mark+"\x00t"), Options{})
		var syntax *SyntaxError
		if !errors.As(err, &syntax) || syntax.Line != 1 || !strings.Contains(syntax.Want, "UTF-8") {
			t.Errorf("UTF-16: %v, want an error that says UTF-8", err)
		}
	}
}

func TestWhatCameBeforeAMistakeIsGiven(t *testing.T) {
	for _, c := range []struct {
		text string
		want []time.Duration
	}{
		{"time_us,rail\n0,1\n10,0\n68,1\n126,0\nx", micros(58, 58)},
		{"time_us,rail\n0,1\n10,0\n68,1\n126,0", micros(58, 58)},
	} {
		got, err := record(strings.NewReader(c.text), Options{})
		if (err != nil) != strings.HasSuffix(c.text, "x") || !slices.Equal(got.halves, c.want) {
			t.Errorf("%q: %v (%v), want %v", c.text, got.halves, err, c.want)
		}
	}
}

func TestOfLevelsAtOneInstantTheLastCounts(t *testing.T) {
	got, err := record(strings.NewReader("time_us,rail\n0,1\n10,0\n68,1\n68,0\n68,1\n100,0\n100,1\n126,0\n126,1\n126,0\n"), Options{})
	if err != nil || !slices.Equal(got.halves, micros(58, 58)) {
		t.Errorf("%v (%v), want %v", got.halves, err, micros(58, 58))
	}
}

func TestAColumnIsOneOfLevelsWhereItHasNothingElseAndNoUnit(t *testing.T) {
	for _, c := range []struct {
		name, values string
		volts        bool
	}{
		{"rail", "0 1 0 1", false},
		{"rail", "0 0 0 0", false},
		{"rail", "TRUE false 0 1", false},
		{"rail", "0 1 0 1.0", true},
		{"rail", "0 1 0 15", true},
		{"rail", "-1 1 -1 1", true},
		{"rail_v", "0 1 0 1", true},
		{"rail [mV]", "0 1 0 1", true},
		{"Volts", "0 0 0 0", true},
		{"V", "0 0 0 0", true},
		{"rail v2", "0 1 0 1", true},
		{"valve", "0 1 0 1", false},
		{"Channel A", "0 1 0 1", false},
	} {
		text := "time_us," + c.name + "\n"
		for i, value := range strings.Fields(c.values) {
			text += fmt.Sprintf("%d,%s\n", 5*i, value)
		}
		got, err := record(strings.NewReader(text), Options{})
		if err != nil || got.Volts != c.volts || got.Sampled != c.volts {
			t.Errorf("%s of %s: %+v (%v), want volts: %v", c.name, c.values, got.Info, err, c.volts)
		}
	}
}

func TestAChannelWithoutANameHasItsNumber(t *testing.T) {
	for _, text := range []string{"0.0,1,0.25,\n1e-3,1,0.5,\n", "time_ms,,\"\",lamp\n0,1,0.25,7\n"} {
		c, err := newCSV(strings.NewReader(text), Options{})
		if err != nil {
			t.Error(err)
			continue
		}
		if got, want := c.channels(), []Channel{{"2"}, {"3"}}; !slices.Equal(got[:2], want) {
			t.Errorf("%q: %v, want %v", text, got, want)
		}
	}
}

func TestANamedColumnIsReadAmongAsManyAsALineHolds(t *testing.T) {
	const others = 30_000
	text := "time_us" + strings.Repeat(",", others) + ",rail\n"
	for i, at := range []int{0, 10, 68, 126, 226} {
		text += strconv.Itoa(at) + strings.Repeat(",0", others) + fmt.Sprintf(",%d\n", i%2)
	}
	got, err := record(strings.NewReader(text), Options{Signal: "rail"})
	if err != nil || !slices.Equal(got.halves, micros(58, 58, 100)) || len(got.Channels) != others+1 {
		t.Errorf("%v of %d channels (%v), want %v", got.halves, len(got.Channels), err, micros(58, 58, 100))
	}
}

func TestTheStepIsThatOfTheWrittenTimesOrOfTheSamples(t *testing.T) {
	samples := func(unit string, every float64, places int, value func(i int) string) string {
		text := "time_" + unit + ",rail\n"
		for i := range 200 {
			text += strconv.FormatFloat(float64(i)*every, 'f', places, 64) + "," + value(i) + "\n"
		}
		return text
	}
	squared := func(i int) string { return strconv.Itoa(i / 58 % 2) }
	busy := func(i int) string { return strconv.Itoa(i % 2) }
	volts := func(i int) string { return strconv.Itoa(30*(i/58%2) - 15) }
	for _, c := range []struct {
		text string
		step time.Duration
	}{
		{"time_us,rail\n0,1\n58,0\n116,1\n", time.Microsecond},
		{"time_us,rail\n0,1\n58.1,0\n116,1\n", 100 * time.Nanosecond},
		{"time_us,rail\n0,1\n58.125,0\n116,1\n", 0},
		{"time_ns,rail\n0,1\n58000,0\n116000,1\n", 0},
		{"time_ps,rail\n0,1\n58000000,0\n", 0},
		{"time_s,rail\n0,1\n5.8e-5,0\n1.2e-04,1\n", time.Microsecond},
		{samples("us", 1, 0, squared), time.Microsecond},
		{samples("us", 0.25, 2, squared), 250 * time.Nanosecond},
		{samples("us", 1./3, 3, squared), 333 * time.Nanosecond},
		{samples("s", 4e-6, 9, squared), 4 * time.Microsecond},
		{samples("us", 58, 1, busy), 100 * time.Nanosecond}, // no level repeats: crossings
		{samples("us", 4, 1, volts), 4 * time.Microsecond},
	} {
		got, err := record(strings.NewReader(c.text), Options{})
		if err != nil || got.Step != c.step {
			t.Errorf("%.60q...: %v (%v), want %v", c.text, got.Step, err, c.step)
		}
	}
}

// dialect is a way to write lines.
type dialect struct {
	unit      string
	power     int // of ten, of a nanosecond
	separator string
	comma     bool
	end       string
	quotes    bool
	words     bool
	others    int // columns of noise, on either side
}

func (d dialect) lines(halves []time.Duration) string {
	var b strings.Builder
	cell := func(s string) string {
		if d.quotes {
			return `"` + s + `"`
		}
		return s
	}
	line := func(at, rail string) {
		for i := range d.others {
			b.WriteString(cell(strconv.Itoa(i)) + d.separator)
		}
		b.WriteString(cell(at) + d.separator + cell(rail))
		for range d.others {
			b.WriteString(d.separator + "other")
		}
		b.WriteString(d.end)
	}
	line("time "+d.unit, "rail")
	levels := []string{"0", "1"}
	if d.words {
		levels = []string{"false", "TRUE"}
	}
	at, level := time.Duration(0), 0
	line("0", levels[level])
	for _, half := range halves {
		at += half
		level = 1 - level
		line(d.number(at), levels[level])
	}
	return b.String()
}

// number writes a time in the unit, with all that there is behind the point.
func (d dialect) number(at time.Duration) string {
	text := strconv.FormatInt(int64(at), 10)
	if d.power < 0 {
		return text + strings.Repeat("0", -d.power)
	}
	if d.power > 0 {
		text = strings.Repeat("0", max(0, d.power+1-len(text))) + text
		point := "."
		if d.comma {
			point = ","
		}
		text = text[:len(text)-d.power] + point + text[len(text)-d.power:]
	}
	return text
}

func TestTheSameHalvesComeBackFromLinesHoweverTheyAreWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var halves []time.Duration
		for _, p := range rapid.SliceOfN(packets(), 1, 8).Draw(t, "packets") {
			halves = wave.Sender{}.Append(halves, p)
		}
		for i := range halves {
			halves[i] += time.Duration(rapid.IntRange(-3000, 3000).Draw(t, "jitter"))
		}
		units := []dialect{{unit: "[s]", power: 9}, {unit: "(ms)", power: 6}, {unit: "us", power: 3}, {unit: "µs", power: 3}, {unit: "ns"}, {unit: "ps", power: -3}}
		d := rapid.SampledFrom(units).Draw(t, "unit")
		d.separator = rapid.SampledFrom([]string{",", ";", "\t", " ; "}).Draw(t, "separator")
		d.comma = d.separator != "," && rapid.Bool().Draw(t, "comma")
		d.end = rapid.SampledFrom([]string{"\n", "\r\n", "\n\n"}).Draw(t, "end")
		d.quotes, d.words = rapid.Bool().Draw(t, "quotes"), rapid.Bool().Draw(t, "words")
		d.others = rapid.IntRange(0, 2).Draw(t, "others")
		text := d.lines(halves)
		got, err := record(strings.NewReader(text), Options{Signal: "rail"})
		// The first crossing is the first line that changes.
		if err != nil || got.start != halves[0] || !slices.Equal(got.halves, halves[1:]) {
			t.Fatalf("%v\n%v\nwant %v\n%s", err, got.halves, halves[1:], text)
		}
		var ours bytes.Buffer
		if err := WriteCSV(&ours, slices.Values(halves)); err != nil {
			t.Fatal(err)
		}
		if got, err = record(&ours, Options{}); err != nil || !slices.Equal(got.halves, halves[1:]) {
			t.Fatalf("of WriteCSV: %v (%v), want %v", got.halves, err, halves[1:])
		}
	})
}

// packetsIn finds the packets in halves.
func packetsIn(halves []time.Duration) (all []nmra.Packet) {
	var s wave.Scanner
	for len(halves) > 0 {
		n, found := s.Scan(halves)
		if halves = halves[n:]; found.Kind == wave.PacketFound {
			all = append(all, found.Packet)
		}
	}
	return all
}

// addressed gives packets to different addresses, and the halves that they are sent as, with idle packets before and behind.
func addressed(rnd *rand.Rand, n int) (all []nmra.Packet, halves []time.Duration) {
	halves = idles(2)
	for range n {
		b := []byte{byte(rnd.IntN(256)), byte(rnd.IntN(256))}
		p, err := nmra.NewPacket(b[0], b[1], b[0]^b[1])
		if err != nil {
			panic(err)
		}
		all = append(all, p)
		halves = wave.Sender{}.Append(halves, p)
	}
	return all, append(halves, idles(2)...)
}

func TestASampledLevelHasItsCrossingsToASample(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 1))
	all, halves := addressed(rnd, 50)
	for _, every := range []time.Duration{250, 1000} { // nanoseconds: 4 MHz and 1 MHz
		text := "time_ns,lamp,rail,ack\n"
		level, end, n := 0, time.Duration(10_000), -1
		var b strings.Builder
		b.WriteString(text)
		for at := time.Duration(0); ; at += every {
			for n < len(halves) && at >= end {
				if n++; n < len(halves) {
					end += halves[n]
				}
				level = 1 - level
			}
			if n == len(halves) {
				break
			}
			fmt.Fprintf(&b, "%d,%d,%d,0\n", at, rnd.IntN(2), level)
		}
		got, err := record(strings.NewReader(b.String()), Options{})
		if err != nil || got.Signal != "rail" || got.Step != every || got.Sampled || len(got.halves) != len(halves)-1 {
			t.Fatalf("%v: %d halves of %+v (%v), want %d", every, len(got.halves), got.Info, err, len(halves)-1)
		}
		for i, half := range got.halves {
			if off := half - halves[i]; off < -every || off > every {
				t.Fatalf("%v: half %d is %v, want %v", every, i, half, halves[i])
			}
		}
		if found := packetsIn(got.halves); !slices.Contains(found, all[0]) || len(found) < len(all)+3 || !slices.Equal(found[len(found)-2-len(all):len(found)-2], all) &&
			!slices.Equal(found[len(found)-1-len(all):len(found)-1], all) {
			t.Errorf("%v: other packets than were sent: %v", every, found)
		}
	}
}

func TestPacketsComeBackFromSampledVoltages(t *testing.T) {
	for _, c := range []struct {
		hertz         float64
		noise, offset float64 // volts
		head, unit    string
		sign, scale   float64
	}{
		{250e3, 0.3, 0, "time_us", "volts", 1, 1},
		{500e3, 0.5, 2, "time_s", "rail [mV]", 1, 1e3},
		{1e6, 1, -3, "time_ms", "rail", -1, 1},
		{2e6, 1, 0.5, "time_s", "rail (V)", -1, 1},
	} {
		rnd := rand.New(rand.NewPCG(5, uint64(c.hertz)))
		all, halves := addressed(rnd, 30)
		unit := map[string]float64{"time_us": 1e6, "time_s": 1, "time_ms": 1e3}[c.head]
		var b strings.Builder
		fmt.Fprintf(&b, "%s;lamp;%s;track current [mA]\n", c.head, c.unit)
		end, n, sign := 200*time.Microsecond, 0, c.sign
		for i := 0; ; i++ {
			at := float64(i) / c.hertz // seconds
			for n < len(halves) && at >= end.Seconds() {
				end += halves[n]
				n++
				sign = -sign
			}
			if n == len(halves) {
				break
			}
			v := (15*sign + c.offset + c.noise*rnd.NormFloat64()/3) * c.scale
			line := fmt.Sprintf("%.9f;%.3f;%.3f;%.1f\n", at*unit, rnd.Float64(), v, 20+rnd.NormFloat64()/5)
			b.WriteString(strings.ReplaceAll(line, ".", ","))
		}
		got, err := record(strings.NewReader(b.String()), Options{})
		if err != nil || !got.Volts || !got.Sampled || len(got.volts) != len(got.halves) || !strings.HasPrefix(got.Signal, c.unit) ||
			got.Current != "track current [mA]" {
			t.Errorf("%v Hz: %+v (%v)", c.hertz, got.Info, err)
			continue
		}
		if step := time.Duration(1e9 / c.hertz); got.Step != step {
			t.Errorf("%v Hz: a step of %v, want %v", c.hertz, got.Step, step)
		}
		found := packetsIn(got.halves)
		at := slices.Index(found, all[0])
		if at < 0 || len(found) < at+len(all) || !slices.Equal(found[at:at+len(all)], all) {
			t.Errorf("%v Hz: %d packets, want the %d that were sent: %v", c.hertz, len(found), len(all), found)
		}
		for i, v := range got.volts {
			if i > 0 && i < len(got.volts)-1 && (math.Abs(float64(v)) < 15-math.Abs(c.offset)-1 || math.Abs(float64(v)) > 15+math.Abs(c.offset)+1) {
				t.Errorf("%v Hz: half %d has %v V", c.hertz, i, v)
				break
			}
		}
	}
}

func TestTheCurrentIsInMilliampsAndThinnedOut(t *testing.T) {
	at := func(micro int, drawn wave.Milliamps) Current {
		return Current{At: time.Duration(micro) * time.Microsecond, Milliamps: drawn}
	}
	for _, c := range []struct {
		name, values string // time:value
		want         []Current
	}{
		{"ack", "0:0 50:1 100:1 150:0", []Current{at(0, 0), at(50, AckLevel), at(150, 0)}},
		{"current_ma", "0:8 50:8.5 100:70 150:69.5 200:8", []Current{at(0, 8), at(100, 70), at(200, 8)}},
		{"current [A]", "0:0.008 50:0.0085 100:0.07 150:8e-3", []Current{at(0, 8), at(100, 70), at(150, 8)}},
		{"track current", "0:8 50:-70.25", []Current{at(0, 8), at(50, -70.25)}},
		{"mA", "0:0 50:1 100:1 150:0", []Current{at(0, 0), at(50, 1), at(150, 0)}},
		// What is over at once is nothing; what stays comes, and at its time.
		{"ack", "0:0 4:1 7:0 100:0", []Current{at(0, 0)}},
		{"current_ma", "0:8 4:70 5:71 90:72 200:8", []Current{at(0, 8), at(5, 71), at(90, 72), at(200, 8)}},
		{"current_ma", "0:8 4:70", []Current{at(0, 8), at(4, 70)}},
		{"current_ma", "0:8/1 58:8/0 116:8/1 200:70/1", []Current{at(0, 8), at(200, 70)}}, // behind the last half
		{"current_ma", "0:8 0:70 60:70", []Current{at(0, 8), at(0, 70)}},
	} {
		for _, o := range []Options{{Signal: "rail"}, {Signal: "rail", Current: c.name}} {
			text := "time_us,rail," + c.name + "\n"
			for _, pair := range strings.Fields(c.values) {
				when, value, _ := strings.Cut(pair, ":")
				value, rail, _ := strings.Cut(value, "/")
				text += when + "," + max(rail, "0") + "," + value + "\n"
			}
			got, err := record(strings.NewReader(text), o)
			if diff := cmp.Diff(c.want, got.current, cmp.Comparer(func(a, b wave.Milliamps) bool { return math.Abs(float64(a-b)) < 1e-9 })); err != nil || diff != "" {
				t.Errorf("%s: %s: %v\n%s", c.name, c.values, err, diff)
			}
		}
	}
}

func TestACurrentGoesOnWhereTheSignalDoesNot(t *testing.T) {
	for _, c := range []struct{ name, high, low string }{{"rail", "1", "0"}, {"volts", "15", "-15"}} {
		var b strings.Builder
		fmt.Fprintf(&b, "time_us,%s,current_ma\n", c.name)
		line := func(at int, v string) { fmt.Fprintf(&b, "%d,%s,%d\n", at, v, 10+at%7*10) }
		at := 0
		for i := range 400 { // the signal, with 5 lines for each half of 58 µs or so
			for ; at < 50*i; at += 10 {
				line(at, []string{c.high, c.low}[i%2])
			}
		}
		for ; at < 200_000; at += 11 { // and then nothing but current
			line(at, c.high)
		}
		got, err := record(strings.NewReader(b.String()), Options{})
		if err != nil || len(got.halves) < 390 || len(got.halves) > 400 {
			t.Errorf("%s: %d halves (%v)", c.name, len(got.halves), err)
		}
		if n := len(got.current); n < 15_000 || got.current[n-1].At < 199_970*time.Microsecond {
			t.Errorf("%s: %d currents, up to %v, want them up to the end", c.name, n, got.current[n-1].At)
		}
	}
}

func TestNoCurrentComesBeforeAHalfThatEndedBeforeIt(t *testing.T) {
	// A batch is full with current alone after about 41 ms; around then the signal comes again.
	for rest := 34_000; rest < 44_000; rest += 500 {
		for _, c := range []struct{ name, high, low string }{{"rail", "1", "0"}, {"volts", "15", "-15"}} {
			var b strings.Builder
			fmt.Fprintf(&b, "time_us,%s,current_ma\n", c.name)
			for at := 0; at < 80_000; at += 10 {
				level := c.high
				if (at < 6000 || at > 6000+rest) && at/60%2 == 1 {
					level = c.low
				}
				fmt.Fprintf(&b, "%d,%s,%d\n", at, level, at/10%2*50)
			}
			capture, err := Open(strings.NewReader(b.String()), Options{})
			var latest time.Duration
			var batch Batch
			for err == nil {
				if err = capture.Next(&batch); err == nil && len(batch.Halves) > 0 && latest > batch.Start+batch.Halves[0] {
					t.Errorf("%s at rest for %d µs: a current at %v came before the half that ended at %v", c.name, rest, latest, batch.Start+batch.Halves[0])
				}
				if n := len(batch.Current); err == nil && n > 0 {
					latest = batch.Current[n-1].At
				}
			}
			if err != io.EOF {
				t.Error(err)
			}
		}
	}
}

// medley is lines of every kind that there is, of levels or of voltages.
func medley(n int, volts bool) string {
	var text strings.Builder
	text.WriteString("\xEF\xBB\xBF# quay line\n;\n\r\ntime_us;\"lamp; quay\";rail;\"ack\"\r\n")
	for i := range n {
		level := strconv.Itoa(i / 3 % 2)
		if volts {
			level = strconv.Itoa(i/3%2*30-15) + ",5"
		}
		fmt.Fprintf(&text, "%d,25; \"a;\"\"b\" ;\"%s\";%d;%s", 20*i, level, i/50%2, []string{"\n", "\r\n", "\n\n"}[i%3])
	}
	return text.String()
}

func TestHowTheBytesOfLinesComeInDoesNotMatter(t *testing.T) {
	for _, volts := range []bool{false, true} {
		text := medley(1500, volts)
		for _, o := range []Options{{}, {Signal: "rail"}} {
			want, err := record(strings.NewReader(text), o)
			if err != nil || len(want.halves) < 490 || len(want.halves) > 500 || len(want.current) != 30 {
				t.Fatalf("%d halves, %d currents (%v), want about 498 and 30", len(want.halves), len(want.current), err)
			}
			readers := map[string]io.Reader{
				"byte by byte":   iotest.OneByteReader(strings.NewReader(text)),
				"halves":         iotest.HalfReader(strings.NewReader(text)),
				"end with data":  iotest.DataErrReader(strings.NewReader(text)),
				"byte, with end": iotest.DataErrReader(iotest.OneByteReader(strings.NewReader(text))),
			}
			for size := 2; size < 60; size++ {
				readers[strconv.Itoa(size)+" bytes"] = sips{strings.NewReader(text), size}
			}
			for name, r := range readers {
				got, err := record(r, o)
				if diff := cmp.Diff(want, got, cmp.AllowUnexported(recorded{})); err != nil || diff != "" {
					t.Errorf("%s: %v\n%s", name, err, diff)
				}
			}
		}
	}
}

func TestLinesMayLieAcrossTheEndOfTheBuffer(t *testing.T) {
	const head, lines = "time_us,rail,note\n", "0,1,\n10,0,\n68,1,\n126,0,\n226,1,\n"
	for filler := linesBuffer - len(head) - len(lines) - 10; filler < linesBuffer+10; filler++ {
		text := head + "0,1," + strings.Repeat(strings.Repeat("y", 50_000)+"\n0,1,", filler/50_005) + strings.Repeat("z", filler%50_005) + "\n" + lines
		got, err := record(strings.NewReader(text), Options{Signal: "rail"})
		if err != nil || !slices.Equal(got.halves, micros(58, 58, 100)) {
			t.Fatalf("behind %d bytes: %v (%v)", filler, got.halves, err)
		}
	}
}

func TestAnErrorOfTheReaderEndsLinesBehindTheLastWholeOne(t *testing.T) {
	lost := errors.New("the cable is out")
	text := "# " + strings.Repeat("y", peeked) + "\ntime_us,rail\n0,1\n10,0\n68,1\n126,0\n22"
	got, err := record(io.MultiReader(strings.NewReader(text), iotest.ErrReader(lost)), Options{})
	if !errors.Is(err, lost) || !slices.Equal(got.halves, micros(58, 58)) {
		t.Errorf("%v (%v), want %v and the error", got.halves, err, micros(58, 58))
	}
	if _, err := record(io.MultiReader(strings.NewReader("time_us,ra"), iotest.ErrReader(lost)), Options{}); !errors.Is(err, lost) {
		t.Errorf("%v, want the error of the reader", err)
	}
	never, err := newCSV(io.MultiReader(strings.NewReader(text), sips{strings.NewReader(text), 0}), Options{})
	if err == nil {
		_, err = never.choose(0, -1)
	}
	for err == nil {
		err = never.next(new(Batch))
	}
	if !errors.Is(err, io.ErrNoProgress) {
		t.Errorf("%v, want that the reader brings nothing", err)
	}
}
