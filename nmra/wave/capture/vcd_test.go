package capture

import (
	"bytes"
	"fmt"
	"io"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"fettle/nmra/wave"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// head declares a wire, and a current in milliamps, in steps of 1 us.
const head = "$timescale 1 us $end\n$var wire 1 ! rail $end\n$var real 64 $ current $end\n$enddefinitions $end\n"

func micros(values ...int) []time.Duration {
	var all []time.Duration
	for _, v := range values {
		all = append(all, time.Duration(v)*time.Microsecond)
	}
	return all
}

func TestHalvesAreBetweenTheChangesOfAWire(t *testing.T) {
	ack := strings.ReplaceAll(head, "real 64", "wire 1")
	drawn := func(pairs ...int) (all []Current) {
		for i := 0; i < len(pairs); i += 2 {
			all = append(all, Current{At: time.Duration(pairs[i]) * time.Microsecond, Milliamps: wave.Milliamps(pairs[i+1])})
		}
		return all
	}
	for _, c := range []struct {
		text    string
		start   int
		halves  []time.Duration
		current []Current
	}{
		{head, 0, nil, nil},
		{"A line of the program's: 1 2 3\n\n" + head + "#0 1! #58 0! #116 1!", 58, micros(58), nil},
		{head + "#0 1! #100", 0, nil, nil},    // a level is no crossing
		{head + "#0 1! #100 0!", 0, nil, nil}, // nor is one crossing a half
		{head + "#7 1! #100 0! #158 1!", 100, micros(58), nil},
		{head + "#0\n$dumpvars\n1!\nx$\n$end\n#58\n0!\n#116\n1!\n#216\n0!\n", 58, micros(58, 100), nil},
		{head + "#0\r\n1!\r\n#58\t\r\n0!\r\n\r\n#116\r\n1!\r\n", 58, micros(58), nil},
		{head + "1! #5 0! #9 1!", 5, micros(4), nil}, // before any time it is 0
		{head + "#0 1! #5 1! #9 0! #9 0! #12 1! #13 1! #20 0!", 9, micros(3, 8), nil},
		{head + "#0 0! 1! 0! #5 1! #9 0!", 5, micros(4), nil},                        // what is last said of an instant counts
		{head + "#0 1! #5 0! #9 1! 0! #9 1! #11 0! 1! #13 0!", 5, micros(4, 4), nil}, // and a change that is taken back is none
		{head + "#0 1! #5 0! 1! #9 0! #11 1!", 9, micros(2), nil},
		{head + "#0 x! #3 z! #4 1! #5 X! #9 0! #12 Z! #15 0! #18 1!", 9, micros(9), nil}, // no level: it stays
		{head + "#0 1! #5 0! $dumpoff x! $end #9 $dumpon 1! $end #11 $dumpall 1! x$ $end #13 0!", 5, micros(4, 4), nil},
		{head + "#0 b1 ! #5 b0\n! #9 B1\t! #12 b0000 ! #14 bx ! #15 bz1 !", 5, micros(4, 3, 3), nil},
		{head + "#0 1! $comment #3 0! end$end $endx $ $end #5 0! #9 1! $comment $end", 5, micros(4), nil},
		{head + "#0 1! #4 0!! 0\" b0101 !! b11 bus r1.5 $$ #5 0! #9 1!", 5, micros(4), nil}, // others' changes
		{head + "#0000000000000000000000000 1! #000000000000000000000005 0! #9 1!", 5, micros(4), nil},
		{head + "#0 1! r8 $ #5 0! r8.0 $ #9 1! R75.5e0 $ #10 0! #11 r9 $", 5, micros(4, 1), []Current{{0, 8}, {9 * time.Microsecond, 75.5},
			{11 * time.Microsecond, 9}}},
		{head + "#0 1! rnan $ #5 0! r+Inf $ #9 1! r-2 $ r3 $", 5, micros(4), drawn(9, 3)},
		{ack + "#0 1! 0$ #5 0! 1$ #9 1! x$ #10 0! b0 $ #11 1$ 0$ #12 1$", 5, micros(4, 1), drawn(0, 0, 5, 60, 10, 0, 11, 0, 12, 60)},
	} {
		all, err := record(strings.NewReader(c.text), Options{Signal: "rail"})
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
		} else if all.start != time.Duration(c.start)*time.Microsecond || !slices.Equal(all.halves, c.halves) || !slices.Equal(all.current, c.current) {
			t.Errorf("%q: %v from %v on, current %v\nwant %v from %d us on, current %v", c.text, all.halves, all.start, all.current, c.halves, c.start,
				c.current)
		}
	}
}

func TestEveryMistakeInADumpIsFoundWithItsLine(t *testing.T) {
	long := strings.Repeat("y", 2000)
	for _, c := range []struct{ text, want string }{
		{"$timescale 1 ns", "line 1: found the end, want $end"},
		{"$timescale\n2 ns\n$end", `line 3: found "2ns", want 1, 10 or 100, and s, ms, us, ns, ps or fs`},
		{"$timescale $end", `line 1: found the end, want 1, 10`},
		{"$timescale 1000 ns $end", `line 1: found "1000ns", want`},
		{"$timescale 1 xs $end", `line 1: found "1xs", want`},
		{"$timescale 1 sm $end", `line 1: found "1sm", want`},
		{"$timescale 1 ns " + long + " $end", `line 1: found "1nsyyyy`},
		{"$timescale 1 ns $end\n$enddefinitions", "line 2: found the end, want $end"},
		{"$timescale 1 ns $end\n$enddefinitions\n#0", `line 3: found "#0", want $end`},
		{"$timescale 1 ns $end\n#0", `line 2: found "#0", want a declaration`},
		{"$timescale 1 ns $end $end", `line 1: found "$end", want a declaration`},
		{"$timescale 1 ns $end \x00", `line 1: found "\x00", want `},
		{"$date today $end\n$enddefinitions $end", `line 2: found "$enddefinitions", want a $timescale before it`},
		{"$version\n1\n", "line 3: found the end, want $end"},
		{"$comment", "line 1: found the end, want $end"},
		{"$scope $end", `line 1: found "$end", want the type of a scope`},
		{"$scope module\n$end", `line 2: found "$end", want the name of a scope`},
		{"$scope module a b $end", `line 1: found "b", want $end`},
		{"$scope module " + long + " $end", `line 1: found "` + long[:40] + `"..., want scopes with names of fewer than 1024 bytes in all`},
		{"$scope module a $end $upscope $end\n$upscope $end", `line 2: found "$upscope", want a $scope before it`},
		{"$scope module a $end $upscope a $end", `line 1: found "a", want $end`},
		{"$var $end", `line 1: found "$end", want the type of a variable`},
		{"$var wire ! rail $end", `line 1: found "!", want the bits of a variable, 1 or more`},
		{"$var wire 0 ! rail $end", `line 1: found "0", want the bits of a variable, 1 or more`},
		{"$var wire 99999999999999999999 ! rail $end", `line 1: found "99999999999999999999", want the bits`},
		{"$var wire 1 $end", `line 1: found "$end", want the code of a variable`},
		{"$var wire 1 ! $end", `line 1: found "$end", want the name of a variable`},
		{"$var wire 1 ! rail\n$var wire 1 x y $end", `line 2: found "$var", want an index, or $end`},
		{"$var wire 1 " + long[:65] + " rail $end", `line 1: found "` + long[:40] + `"..., want a code of up to 64 bytes`},
		{"$var wire 1 ! " + long + " $end", `line 1: found "` + long[:40] + `"..., want a name of up to 1024 bytes`},
		{"$var wire 1 ! rail" + strings.Repeat(" [0]", 1000) + " $end", `line 1: found "[0]", want a name of up to 1024 bytes`},
		{head + "#0 1!\n#7 0!\n#6 1!", `line 7: found "#6", want # and a time from 7 on, since time runs forwards`},
		{head + "#-1", `line 5: found "#-1", want # and a time from 0 to 9223372036854775`},
		{head + "# 1", `line 5: found "#", want # and a time`},
		{head + "#1.5", `line 5: found "#1.5", want # and a time`},
		{head + "#9223372036854776", `line 5: found "#9223372036854776", want # and a time`}, // 292 years
		{head + "#99999999999999999999999", `line 5: found "#99999999999999999999999", want # and a time`},
		{head + "#18446744073709551617", `line 5: found "#18446744073709551617", want # and a time`},                                     // 2 to the 64, and 1
		{strings.Replace(head, "1 us", "1 fs", 1) + "#18446744073709551615", `line 5: found "#18446744073709551615", want # and a time`}, // it can't be rounded
		{head + "#0 1 !", `line 5: found "1", want a value and the code of a variable, with no space between them`},
		{head + "#0\n1", `line 6: found "1", want a value and the code of a variable`},
		{head + "#0 b1", "line 5: found the end, want the code of a variable behind its value"},
		{head + "#0 b1\n\n", "line 7: found the end, want the code of a variable behind its value"},
		{head + "#0 b !", `line 5: found "b", want a value as its variable is declared`},
		{head + "#0 b12 !", `line 5: found "b12", want a value as its variable is declared`},
		{head + "#0 r1 !", `line 5: found "r1", want a value as its variable is declared`},
		{head + "#0 b1 $", `line 5: found "b1", want a value as its variable is declared`},
		{head + "#0 1$", `line 5: found "1$", want a value as its variable is declared`},
		{head + "#0 r1,5 $", `line 5: found "r1,5", want a value as its variable is declared`},
		{head + "#0 r1e999 $", `line 5: found "r1e999", want a value as its variable is declared`},
		{head + "#0 u!", `line 5: found "u!", want a time or a value`},
		{head + "#0 1! \x00", `line 5: found "\x00", want `},
		{head + "#0 1!\n$var wire 1 x y $end", `line 6: found "$var", want $dumpvars`},
		{head + "#0 1!\n$comment\n$en", `line 7: found the end, want $end`},
	} {
		_, err := record(strings.NewReader(c.text), Options{Signal: "rail"})
		if err == nil || !strings.HasPrefix(err.Error(), "VCD, "+c.want) {
			t.Errorf("%.200q: %v\nwant VCD, %s", c.text, err, c.want)
		}
	}
}

// IEEE 1364-2005, clause 18 (from memory): the unit of a timescale is s, ms, us, ns, ps or fs, and its number 1, 10 or 100.
func TestEveryTimescaleIsKept(t *testing.T) {
	for scale, unit := range map[string]time.Duration{
		"1 s": time.Second, "10s": 10 * time.Second, "100\ns": 100 * time.Second, "1 ms": time.Millisecond, "100 ms": 100 * time.Millisecond,
		"1us": time.Microsecond, "10 us": 10 * time.Microsecond, "1 ns": 1, "10 ns": 10, "100ns": 100, "100 ps": 0, "10ps": 0, "1 ps": 0, "100 fs": 0,
		"10 fs": 0, "1fs": 0,
	} {
		text := strings.Replace(head, "1 us", scale, 1) + "#3 1! #5 0! #12000000 1! #20000000 0!"
		all, err := record(strings.NewReader(text), Options{})
		if err != nil || all.Step != unit || all.Form != VCD || all.Sampled || all.Volts {
			t.Errorf("%s: %+v (%v), want steps of %v", scale, all.Info, err, unit)
		}
		if unit > 0 && (all.start != 5*unit || !slices.Equal(all.halves, []time.Duration{11_999_995 * unit, 8_000_000 * unit})) {
			t.Errorf("%s: %v from %v on", scale, all.halves, all.start)
		}
	}
}

// femtoseconds of each scale in which a dump may be, by its words.
var femtoseconds = map[string]int64{"1 fs": 1, "10 fs": 10, "100 fs": 100, "1 ps": 1e3, "10 ps": 1e4, "100 ps": 1e5, "1 ns": 1e6, "10 ns": 1e7,
	"100 ns": 1e8, "1 us": 1e9, "10 us": 1e10}

func TestTheSameHalvesComeBackFromADumpAtAnyTimescaleAndRoundingDoesNotAddUp(t *testing.T) {
	scales := []string{"1 fs", "10 fs", "100 fs", "1 ps", "10 ps", "100 ps", "1 ns", "10 ns", "100 ns", "1 us", "10 us"}
	rapid.Check(t, func(t *rapid.T) {
		scale := rapid.SampledFrom(scales).Draw(t, "scale")
		unit := femtoseconds[scale]
		least, most := max(1, 1_000_000/unit), 10_000_000_000_000/unit // of a half: 1 ns, 10 ms
		units := rapid.SliceOfN(rapid.Int64Range(least, most), 2, 200).Draw(t, "halves")
		text := "$timescale " + scale + " $end $var wire 1 ! rail $end $enddefinitions $end\n#0\n1!\n"
		at := int64(0)
		var want []time.Duration
		var last time.Duration
		for i, half := range units {
			at += half
			text += fmt.Sprintf("#%d\n%d!\n", at, 1-(i+1)%2)
			// In nanoseconds, rounded half up: (at unit + 500000) / 1000000.
			exact := new(big.Int).Mul(big.NewInt(at), big.NewInt(unit))
			exact.Div(exact.Add(exact, big.NewInt(500_000)), big.NewInt(1_000_000))
			crossing := time.Duration(exact.Int64())
			if i > 0 {
				want = append(want, crossing-last)
			}
			last = crossing
		}
		all, err := record(strings.NewReader(text), Options{})
		if err != nil || !slices.Equal(all.halves, want) {
			t.Fatalf("%v (%v)\nwant %v", all.halves, err, want)
		}
	})
}

// Two changes that are less than a nanosecond apart are no half, and so are no crossings.
func TestAHalfOfNoLengthIsNone(t *testing.T) {
	text := strings.Replace(head, "1 us", "1 ps", 1) + "#0 1! #58000 0! #70000 1! #70001 0! #116000 1! #116499 0! #116500 1! #200000 0!"
	all, err := record(strings.NewReader(text), Options{})
	if want := []time.Duration{59, 83}; err != nil || all.start != 58 || !slices.Equal(all.halves, want) {
		t.Errorf("%v from %v on (%v), want %v from 58ns on", all.halves, all.start, err, want)
	}
}

func TestWhatWasWrittenComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		halves := idles(rapid.IntRange(1, 200).Draw(t, "packets"))
		for range rapid.IntRange(0, 5).Draw(t, "odd ones") {
			halves[rapid.IntRange(0, len(halves)-1).Draw(t, "place")] = time.Duration(rapid.Int64Range(1, 1e12).Draw(t, "half"))
		}
		var text bytes.Buffer
		if err := WriteVCD(&text, slices.Values(halves)); err != nil {
			t.Fatal(err)
		}
		all, err := record(&text, Options{})
		if err != nil || all.start != halves[0] || !slices.Equal(all.halves, halves[1:]) {
			t.Fatalf("%d halves from %v on (%v), want %d from %v on", len(all.halves), all.start, err, len(halves)-1, halves[0])
		}
	})
}

// mixed is a dump with all that there is, over and over.
func mixed(n int) string {
	var text strings.Builder
	text.WriteString("$date then $end\n$scope module quay $end\n" + head[:len(head)-len("$enddefinitions $end\n")] +
		"$var wire 1 % other $end\n$var wire 8 & bus [7:0] $end $upscope $end\n$comment nothing $end $enddefinitions $end\n")
	for i := range n {
		fmt.Fprintf(&text, "#%d\n%d!\nb0101%b &\nr%d.25 $\n$comment %s$end $end\n1%%\n$dumpall b%d !\n$end x%%\n", i*58, i%2, i, i, strings.Repeat("y", i%50), i%2)
	}
	return text.String()
}

// sips reads so many bytes at a time.
type sips struct {
	from io.Reader
	size int
}

func (s sips) Read(p []byte) (int, error) { return s.from.Read(p[:min(len(p), s.size)]) }

func TestHowTheBytesComeInDoesNotMatter(t *testing.T) {
	text := mixed(600)
	for _, o := range []Options{{}, {Signal: "rail"}} {
		want, err := record(strings.NewReader(text), o)
		if err != nil || len(want.halves) != 598 || len(want.current) != 600 {
			t.Fatalf("%d halves, %d currents (%v), want 598 and 600", len(want.halves), len(want.current), err)
		}
		readers := map[string]io.Reader{
			"byte by byte":   iotest.OneByteReader(strings.NewReader(text)),
			"halves":         iotest.HalfReader(strings.NewReader(text)),
			"end with data":  iotest.DataErrReader(strings.NewReader(text)),
			"byte, with end": iotest.DataErrReader(iotest.OneByteReader(strings.NewReader(text))),
		}
		for size := 2; size < 120; size++ {
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

func TestWordsMayLieAcrossTheEndOfTheBuffer(t *testing.T) {
	changes := "#0 1! #58 0! $comment z $end #116 b1 ! r7.5 $ #216 0!\n#1000 1!"
	want, err := record(strings.NewReader(head+changes), Options{})
	if err != nil || len(want.halves) != 3 || len(want.current) != 1 {
		t.Fatalf("%v (%v)", want, err)
	}
	for filler, place := range map[string]string{" ": "%s", "\n": "%s", "y": "$comment %s $end ", "z": "$comment %s$end #999 0! $end ",
		"$endz ": "$comment %s $end "} {
		for before := wordsBuffer - len(head) - len(changes) - 30; before < wordsBuffer+10; before++ {
			text := head + fmt.Sprintf(place, (strings.Repeat(filler, before/len(filler))+"yyyyyy"[:before%len(filler)])) + changes
			got, err := record(strings.NewReader(text), Options{Signal: "rail"})
			if diff := cmp.Diff(want, got, cmp.AllowUnexported(recorded{})); err != nil || diff != "" {
				t.Fatalf("behind %d of %q: %v\n%s", before, filler, err, diff)
			}
		}
	}
}

func TestADumpThatAnotherProgramWroteHasTheSameHalves(t *testing.T) {
	var w wires
	w.add("still", nil)
	w.add("rail", idles(3))
	w.add("clock", clock(10*time.Microsecond, 10*time.Millisecond))
	w.add("ack", clock(time.Millisecond, 10*time.Millisecond))
	ours := w.dump()
	file := filepath.Join(t.TempDir(), "quay.vcd")
	// sigrok-cli of Debian 12 (0.7.2) takes our dump to samples, one for each microsecond, and dumps them.
	command := exec.Command("sigrok-cli", "-I", "vcd:downsample=1000", "-i", writeDump(t, ours), "-O", "vcd", "-o", file)
	if out, err := command.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v: %s (make tools installs sigrok-cli)", command, err, out)
	}
	theirs, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(theirs, []byte("libsigrok")) {
		t.Fatalf("not their dump: %.500s", theirs)
	}
	want, err := record(bytes.NewReader(ours), Options{})
	if err != nil {
		t.Fatal(err)
	}
	got, err := record(bytes.NewReader(theirs), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if lastPart(got.Signal) != "rail" || lastPart(got.Current) != "ack" || len(got.Channels) != 4 {
		t.Errorf("signal %q, current %q of %v, want rail and ack of four", got.Signal, got.Current, got.Channels)
	}
	// Samples from the second microsecond on, to the last but one.
	n := len(want.halves) - 1
	if len(got.halves) < n || !slices.Equal(got.halves[:n], want.halves[:n]) {
		t.Errorf("%v\nwant %v", got.halves, want.halves)
	}
	if diff := cmp.Diff(want.current, got.current); diff != "" {
		t.Error(diff)
	}
}
