package text

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
)

// yard is a profile with one command of each kind of answer, and chatter.
const yard = `title = "Yard station"
[port]
name = "yard"
baud = 9600
[line]
end = "{0x0D}"
answer_end = "{0x0D}{0x0A}"
longest = 30
lines = 5
[answers]
error = ['muddle .*']
chatter = ['tide .*']
[power.programming_on]
send = "live"
yes = 'live (?P<milliamps>[0-9]+)'
[power.programming_off]
send = "dead"
[direct.read]
send = "tell {cv}"
yes = '(?P<cv>[0-9]+) holds (?P<value>[0-9]+)'
no = 'none'
timeout_ms = 2000
[direct.write_byte]
send = "put {cv} {value}"
yes = 'aye'
no = 'nay'
`

// onWire opens a station at a wire, with its track on.
func onWire(t *testing.T, profile string, w *wire) programmerReader {
	t.Helper()
	p, err := ParseProfile("p.toml", []byte(profile))
	if err != nil {
		t.Fatal(err)
	}
	track := New(p, w).(programmerReader)
	answers := w.answers
	w.answers = func(string) string { return "live 8\r\n" }
	if draw, err := track.PowerOn(t.Context()); err != nil || draw.Rest != 8 || draw.Unmeasured {
		t.Fatalf("%+v, %v, want 8 mA", draw, err)
	}
	w.answers, w.writes = answers, nil
	return track
}

func TestWhatGoesWrongSaysWhatWasSentWhatCameBackAndWhatToDo(t *testing.T) {
	for name, c := range map[string]struct {
		w    wire
		lost bool
		want []string
	}{
		"silence": {w: wire{}, lost: true,
			want: []string{`[direct.read]: sent "tell 29", got nothing; no answer to it in 2s: see that the station is on`}},
		"half a line": {w: wire{answers: say("29 holds 6")}, lost: true,
			want: []string{`no answer to it in 2s`}},
		"too late": {w: wire{answers: say("29 holds 6\r\n"), spell: 2001 * time.Millisecond}, lost: true,
			want: []string{`got nothing; no answer to it in 2s`}},
		"chatter alone": {w: wire{answers: say("tide 1\r\ntide 2\r\n")}, lost: true,
			want: []string{`got "tide 1", "tide 2"; no answer to it in 2s`}},
		"another's answer alone": {w: wire{answers: say("30 holds 6\r\n")}, lost: true,
			want: []string{`got "30 holds 6"; no answer to it`}},
		"an error": {w: wire{answers: say("tide 1\r\nmuddle 7\r\n")},
			want: []string{`sent "tell 29", got "tide 1", "muddle 7"; that is an error by [answers] error of the profile, see the station's manual`}},
		"what no pattern takes": {w: wire{answers: say("\x1b[2J\xff\x00 who?\r\n")},
			want: []string{`sent "tell 29", got "\x1B[2J\xFF\x00 who?"; no pattern of the profile takes it: put it under yes or no of [direct.read]`}},
		"a value too large": {w: wire{answers: say("29 holds 256\r\n")},
			want: []string{`its value is 256, want 0 to 255`}},
		"a number too large": {w: wire{answers: say("29 holds 99999999999999\r\n")},
			want: []string{`the part value of its pattern is "99999999999999", which is no number in base 10`}},
		"a line too long": {w: wire{answers: say(strings.Repeat("x", 31) + "\r\n")},
			want: []string{`then came a line of more than 30 bytes, "xxx`, `see [line] answer_end and longest`}},
		"a line without end": {w: wire{answers: say(strings.Repeat("x", 5000))},
			want: []string{`a line of more than 30 bytes`}},
		"too many lines": {w: wire{answers: say(strings.Repeat("tide 1\r\n", 6))},
			want: []string{`more than 5 lines came back and no answer among them`, `got a line and then "tide 1", "tide 1", "tide 1", "tide 1"; more`}},
		"nothing but ends of lines": {w: wire{answers: say(strings.Repeat("\r\n", 5000))},
			want: []string{`more than 5 lines came back and no answer among them`}},
		"a flood": {w: wire{flood: "tide 1\r\n"},
			want: []string{`text station: Yard station does not stop sending, though nothing was asked of it`}},
	} {
		w := c.w
		flood := w.flood
		w.flood = ""
		track := onWire(t, yard, &w)
		w.flood = flood
		_, err := track.Service(t.Context(), nmra.Access{CV: 29, Value: 6})
		if !errors.Is(err, station.ErrStation) || errors.Is(err, station.ErrLost) != c.lost {
			t.Errorf("%s: %v; want it to be lost: %v", name, err, c.lost)
			continue
		}
		for _, want := range c.want {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v\nwant %s", name, err, want)
			}
		}
		if len(err.Error()) > 1000 {
			t.Errorf("%s: the error has %d characters", name, len(err.Error()))
		}
	}
}

func say(s string) func(string) string { return func(string) string { return s } }

func TestWhatIsNoAnswerIsPassedOverUntilTheAnswerComes(t *testing.T) {
	for answer, want := range map[string]bool{
		"29 holds 6\r\n": true,
		"29 holds 7\r\n": false,
		"none\r\n":       false,
		"tide 1\r\n\r\n\ntide 2\r\n29 holds 6\r\n":       true,
		"30 holds 7\r\n29 holds 6\r\n":                   true, // a late answer to a question before
		"29 holds 6\r\n29 holds 7\r\nmuddle\r\nwho?\r\n": true, // what comes after the answer is for nobody
		"30 holds 6\r\n31 holds 6\r\n29 holds 7\r\n":     false,
	} {
		w := &wire{answers: say(answer), spell: 1999 * time.Millisecond}
		track := onWire(t, yard, w)
		w.in = []byte("muddle of before\r\n29 holds 7\r\nhal")
		got, err := track.Service(t.Context(), nmra.Access{CV: 29, Value: 6})
		if err != nil || got.Acknowledged != want || got.Airtime != 1999*time.Millisecond {
			t.Errorf("%q: %+v, %v, want %v after 1.999 s", answer, got, err, want)
		}
	}
}

func TestAnEchoIsPassedOverOnceHoweverItsLineEnds(t *testing.T) {
	echoing := strings.Replace(yard, "longest", "echo = true\nlongest", 1)
	for echo, good := range map[string]bool{
		"tell 29\r\n":            true,
		"tell 29\r":              true, // as it was sent
		"tell 29\r\r\n":          true,
		"":                       true, // some switch it off
		"tide 1\r\ntell 29\r\n":  true,
		"tell 29\r\ntell 29\r\n": false,
		"tell 30\r\n":            false,
	} {
		w := &wire{answers: func(sent string) string {
			if sent == "dead\r" {
				return ""
			}
			return echo + "29 holds 6\r\n"
		}}
		got, err := onWire(t, echoing, w).Service(t.Context(), nmra.Access{CV: 29, Value: 6})
		if good != (err == nil && got.Acknowledged) {
			t.Errorf("%q: %+v, %v, want it to be taken: %v", echo, got, err, good)
		}
	}
	if _, err := onWire(t, yard, &wire{answers: say("tell 29\r\n29 holds 6\r\n")}).Service(t.Context(), nmra.Access{CV: 29, Value: 6}); err == nil {
		t.Error("an echo was passed over though the profile knows of none")
	}
}

func TestALineThatWasSentIsWaitedForAndNoneIsSentOnceStopped(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	w := &wire{}
	track := onWire(t, yard, w)
	w.answers = func(string) string { stop(); return "29 holds 6\r\n" }
	if got, err := track.Service(ctx, nmra.Access{CV: 29, Value: 6}); err != nil || !got.Acknowledged {
		t.Errorf("%+v, %v: an access that has begun is done whole", got, err)
	}
	sent := len(w.writes)
	if _, err := track.Service(ctx, nmra.Access{CV: 29, Value: 6}); !errors.Is(err, context.Canceled) || len(w.writes) != sent {
		t.Errorf("%v, %d lines were sent, want it not begun", err, len(w.writes)-sent)
	}
}

func TestACableThatComesOutAtAnyByteIsALostStationThatIsToldNothingMore(t *testing.T) {
	whole := &wire{answers: yardStation}
	if err := useAll(t, onWire(t, yard, whole)); errors.Is(err, station.ErrStation) {
		t.Fatalf("with the cable in: %v", err)
	}
	for cut := whole.read; cut > len("live 8\r\n"); cut-- {
		w := &wire{answers: yardStation}
		track := onWire(t, yard, w)
		w.cut = cut
		err := useAll(t, track)
		if !errors.Is(err, station.ErrLost) && cut < whole.read {
			t.Fatalf("cut after %d bytes of %d: %v, want a lost station", cut, whole.read, err)
		}
		if w.closed != 1 {
			t.Fatalf("cut after %d bytes: the port was closed %d times", cut, w.closed)
		}
	}
	t.Logf("cut after each of %d bytes", whole.read)
}

// yardStation answers as the profile yard has it.
func yardStation(sent string) string {
	var cv, value int
	switch {
	case sent == "live\r":
		return "live 8\r\n"
	case sent == "dead\r":
		return ""
	case scanned(sent, "tell %d", &cv):
		return fmt.Sprintf("tide 1\r\n%d holds %d\r\n", cv, 3)
	case scanned(sent, "put %d %d", &cv, &value):
		return "aye\r\n"
	}
	return "muddle 1\r\n"
}

func scanned(s, format string, to ...any) bool {
	n, _ := fmt.Sscanf(s, format, to...)
	return n == len(to)
}

func TestCommandsWithATagAreAnsweredInAnyOrder(t *testing.T) {
	const tagged = `title = "Yard station"
[port]
name = "yard"
baud = 9600
[line]
end = "{0x0A}"
[answers]
error = ['(?P<tag>[0-9]+) muddle']
[function]
send = "{tag} lamp {function} of {address} {state}"
yes = '(?P<tag>[0-9]+) aye'
`
	p, err := ParseProfile("p.toml", []byte(tagged))
	if err != nil {
		t.Fatal(err)
	}
	functions, err := nmra.Instruction{Kind: nmra.Functions, Address: someVehicle, States: 0b00101}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		last string // what is said once all five have come
		lost bool
		want string
	}{
		{"3 aye\n5 aye\n1 aye\n4 aye\n2 aye\n", false, ""},
		{"99 aye\n3 aye\n98 muddle\n5 aye\n1 aye\n3 aye\n4 aye\n2 aye\n", false, ""}, // 3 a second time: what it was for has its answer
		{"99 aye\n3 aye\n98 muddle\n5 aye\n1 aye\n4 aye\n2 aye\n", false, ""},
		{"3 aye\n5 muddle\n", false, `that is an error`},
		{"3 aye\n5 aye\n1 aye\n4 aye\n", true, `[function]: sent "2 lamp 1 of 3 0"`},
	} {
		n := 0
		w := &wire{answers: func(string) string {
			if n++; n == 5 {
				return c.last
			}
			return ""
		}}
		s := New(p, w).(station.Main)
		if _, err := s.PowerOn(t.Context()); err != nil {
			t.Fatal(err)
		}
		err := s.Send(t.Context(), functions, 1)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) || errors.Is(err, station.ErrLost) != c.lost {
			t.Errorf("%q: %v, want %s", c.last, err, c.want)
		}
		if got := strings.Join(w.writes, ""); got != "1 lamp 0 of 3 1\n2 lamp 1 of 3 0\n3 lamp 2 of 3 1\n4 lamp 3 of 3 0\n5 lamp 4 of 3 0\n" {
			t.Errorf("sent %q", got)
		}
	}
}

func FuzzWhateverAStationSaysIsAnAnswerOrAnErrorOfTheStation(f *testing.F) {
	f.Add("29 holds 6\r\n")
	f.Add("tide 1\r\nmuddle\r\n\x00\xff")
	f.Add("live 8\r\naye\r\n1 holds 3\r\n")
	p, err := ParseProfile("p.toml", []byte(strings.Replace(yard, "longest", "echo = true\nlongest", 1)))
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, answer string) {
		w := &wire{answers: say(answer)}
		useAll(t, New(p, w)) // which holds every error
		if w.now > 10*time.Minute {
			t.Fatalf("it took %v", w.now)
		}
	})
}
