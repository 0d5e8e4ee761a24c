package text

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"fettle/nmra"
	"fettle/station"
)

func TestAStationIsAbleToDoWhatItsProfileHasCommandsFor(t *testing.T) {
	runs := small[:strings.Index(small, "[direct")] + "[packet]\nsend = '{packet}'\n"
	for name, c := range map[string]struct {
		profile              string
		programs, reads, run bool
		described            string
	}{
		"quay":       {profileOf(t, "quay"), true, true, true, "text station: Port Elvering quay station"},
		"lighthouse": {profileOf(t, "lighthouse"), true, false, true, "text station: Port Elvering lighthouse station"},
		"capstan": {profileOf(t, "capstan"), true, true, false,
			"text station: Port Elvering capstan station (verifies made from reads; it switches its programming track by itself)"},
		"runs": {runs, false, false, true, "text station: Yard station"},
	} {
		p, err := ParseProfile(name, []byte(c.profile))
		if err != nil {
			t.Fatal(err)
		}
		s := New(p, new(wire))
		_, programs := s.(station.ProgrammingTrack)
		_, reads := s.(station.Reader)
		_, run := s.(station.Main)
		_, checks := s.(station.Checker)
		if programs != c.programs || reads != c.reads || run != c.run || !checks {
			t.Errorf("%s: programs %v, reads %v, runs %v, checks %v", name, programs, reads, run, checks)
		}
		if got := s.Describe(); got.String() != c.described || got.Simulated {
			t.Errorf("%s: %v, want %s", name, got, c.described)
		}
	}
}

// quayWire opens the quay station on a wire that says aye to all.
func quayWire(t *testing.T) (bothReader, *wire) {
	t.Helper()
	p, err := ParseProfile("quay.toml", []byte(profileOf(t, "quay")))
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{answers: func(sent string) string {
		switch {
		case strings.HasSuffix(sent, "live\r"):
			return strings.TrimSpace(sent) + " 8\r\n"
		case strings.HasSuffix(sent, "dead\r"):
			return strings.TrimSpace(sent) + "\r\n"
		}
		return "aye\r\n"
	}}
	return New(p, w).(bothReader), w
}

func TestTheMainComesOnWithItsFirstPacketAndBothTracksGoOff(t *testing.T) {
	s, w := quayWire(t)
	idle, err := nmra.Instruction{Kind: nmra.Idle}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Send(t.Context(), idle, 1); !errors.Is(err, station.ErrStation) {
		t.Errorf("%v: want the track to be turned on first", err)
	}
	for range 2 {
		if draw, err := s.PowerOn(t.Context()); err != nil || draw.Rest != 8 {
			t.Errorf("%+v, %v", draw, err)
		}
		for range 2 {
			if err := s.Send(t.Context(), idle, 2); err != nil {
				t.Error(err)
			}
		}
	}
	for range 2 {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
	want := []string{"bench live\r", "layout live\r", "packet FF 00 FF by 2\r", "packet FF 00 FF by 2\r", "packet FF 00 FF by 2\r", "packet FF 00 FF by 2\r",
		"bench dead\r", "layout dead\r"}
	if !slices.Equal(w.writes, want) || w.closed != 1 {
		t.Errorf("sent %q, closed %d times, want %q", w.writes, w.closed, want)
	}
	if _, err := s.PowerOn(t.Context()); !errors.Is(err, station.ErrStation) {
		t.Errorf("%v: want it to be closed", err)
	}
}

func TestAMainThatDidNotComeOnIsTurnedOnAgainBeforeAPacketIsSent(t *testing.T) {
	s, w := quayWire(t)
	idle, err := nmra.Instruction{Kind: nmra.Idle}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	good := w.answers
	w.answers = say("muddle: no supply\r\n")
	if err := s.Send(t.Context(), idle, 1); !errors.Is(err, station.ErrStation) {
		t.Errorf("%v: want the station's error", err)
	}
	w.answers = good
	if err := s.Send(t.Context(), idle, 1); err != nil {
		t.Error(err)
	}
	want := []string{"bench live\r", "layout live\r", "layout live\r", "packet FF 00 FF by 1\r"}
	if !slices.Equal(w.writes, want) {
		t.Errorf("sent %q, want %q", w.writes, want)
	}
}

func TestATrackThatDoesNotGoOffIsTriedTwiceAndSaid(t *testing.T) {
	s, w := quayWire(t)
	if _, err := s.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	good := w.answers
	w.answers = say("aye\r\n") // the late answer to something else
	err := s.PowerOff(t.Context())
	if !errors.Is(err, station.ErrStation) || !strings.Contains(err.Error(), "may be under power still, turn it off by hand") || len(w.writes) != 3 {
		t.Errorf("%v, sent %q", err, w.writes)
	}
	w.answers = good
	if err := s.Close(); err != nil || w.writes[3] != "bench dead\r" {
		t.Errorf("%v, sent %q: want it to be turned off in the end", err, w.writes)
	}
}

func TestAPacketIsSaidByTheCommandThatCanSayIt(t *testing.T) {
	short, long, low := nmra.Address{Kind: nmra.Short, Number: 3}, nmra.Address{Kind: nmra.Long, Number: 4203}, nmra.Address{Kind: nmra.Long, Number: 3}
	withoutPacket := profileOf(t, "quay")
	withoutPacket = withoutPacket[:strings.Index(withoutPacket, "[packet]")]
	plain := strings.NewReplacer(" {long:long|short}", "", " of {steps}", "").Replace(withoutPacket)
	for _, c := range []struct {
		profile string
		nmra.Instruction
		want string // ErrNotInMode where it is empty
	}{
		// NMRA S-9.2 (July 2004), figure of a transmitted packet: address 55, forward, step 6 of 28.
		{profileOf(t, "quay"), nmra.Instruction{Kind: nmra.MainWrite, Address: nmra.Address{Kind: nmra.Short, Number: 55}, CV: 3, Value: 6}, "packet 37 EC 02 06 DF by 2\r"},
		{profileOf(t, "quay"), nmra.Instruction{Kind: nmra.Speed, Address: short, Step: 6, Steps: nmra.Steps28, Forward: true}, "vehicle 3 short ahead 6 of 28\r"},
		{profileOf(t, "quay"), nmra.Instruction{Kind: nmra.Speed, Address: low, Step: 126, Steps: nmra.Steps128}, "vehicle 3 long astern 126 of 128\r"},
		{profileOf(t, "quay"), nmra.Instruction{Kind: nmra.Stop, Address: long, Steps: nmra.Steps128}, "vehicle 4203 long astern 0 of 128\r"},
		{profileOf(t, "quay"), nmra.Instruction{Kind: nmra.EmergencyStop, Address: short, Steps: nmra.Steps128}, "packet 03 3F 01 3D by 2\r"},
		{withoutPacket, nmra.Instruction{Kind: nmra.EmergencyStop, Address: short, Steps: nmra.Steps128}, ""},
		{withoutPacket, nmra.Instruction{Kind: nmra.MainWrite, Address: short, CV: 3, Value: 6}, ""},
		{withoutPacket, nmra.Instruction{Kind: nmra.Stop, Steps: nmra.Steps128}, ""}, // to all
		{plain, nmra.Instruction{Kind: nmra.Speed, Address: short, Step: 6, Steps: nmra.Steps28}, ""},
		{plain, nmra.Instruction{Kind: nmra.Speed, Address: low, Step: 6, Steps: nmra.Steps128}, ""},
		{plain, nmra.Instruction{Kind: nmra.Speed, Address: long, Step: 6, Steps: nmra.Steps128}, "vehicle 4203 astern 6\r"},
		{plain, nmra.Instruction{Kind: nmra.Functions, Address: short, Group: nmra.F5toF8, States: 0b0010},
			"vehicle 3 lamp 5 off\rvehicle 3 lamp 6 on\rvehicle 3 lamp 7 off\rvehicle 3 lamp 8 off\r"},
	} {
		p, err := ParseProfile("quay.toml", []byte(c.profile))
		if err != nil {
			t.Fatal(err)
		}
		_, w := quayWire(t)
		s := New(p, w).(bothReader)
		if _, err := s.PowerOn(t.Context()); err != nil {
			t.Fatal(err)
		}
		packet, err := c.Instruction.Encode()
		if err != nil {
			t.Fatal(err)
		}
		err = s.Send(t.Context(), packet, 2)
		if got := strings.Join(w.writes[min(2, len(w.writes)):], ""); got != c.want || errors.Is(err, nmra.ErrNotInMode) != (c.want == "") || c.want != "" && err != nil {
			t.Errorf("%v: sent %q, %v, want %q", c.Instruction, got, err, c.want)
		}
	}
	s, _ := quayWire(t)
	if _, err := s.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, times := range []int{0, -1} {
		if err := s.Send(t.Context(), nmra.Packet{}, times); err == nil {
			t.Errorf("nothing was sent %d times", times)
		}
	}
}

func TestABitIsWrittenAsAByteOutOfTwoReadsThatAgree(t *testing.T) {
	for _, c := range []struct {
		reads []string
		want  string // the last line
		err   bool
	}{
		{[]string{"0029 = 006", "0029 = 006", "0029 stored"}, "store 0029 014\r", false},
		{[]string{"0029 = 006", "0029 = 007"}, "fetch 0029\r", true},
		{[]string{"0029 = none"}, "fetch 0029\r", false},
		{[]string{"0029 = 006", "0029 = none"}, "fetch 0029\r", false},
	} {
		p, err := ParseProfile("capstan.toml", []byte(profileOf(t, "capstan")))
		if err != nil {
			t.Fatal(err)
		}
		w := new(wire)
		w.answers = func(sent string) string { return sent + "\n" + c.reads[len(w.writes)-1] + "\r\n" }
		s := New(p, w).(programmerReader)
		if draw, err := s.PowerOn(t.Context()); err != nil || !draw.Unmeasured {
			t.Fatalf("%+v, %v, want a current that is not measured", draw, err)
		}
		a := nmra.Access{Operation: nmra.WriteBit, CV: 29, Bit: 3, BitValue: true}
		got, err := s.Service(t.Context(), a)
		if (err != nil) != c.err || got.Acknowledged != (len(c.reads) == 3) || w.writes[len(w.writes)-1] != c.want || len(w.writes) != len(c.reads) {
			t.Errorf("%q: %+v, %v, sent %q", c.reads, got, err, w.writes)
		}
	}
}
