//go:build unix

package text

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"

	"fettle/nmra/cv"
	"fettle/station"
	"fettle/station/bench"
	"fettle/station/text/fakes"
)

// counter is a register that changes by itself.
var counter = cv.Register{CV: 892}

// do runs a check with the track as its scene wants it.
func do(t *testing.T, s station.Station, c station.Check) (string, error) {
	t.Helper()
	power := s.(station.Power)
	if c.Scene == station.PowerOff {
		if err := power.PowerOff(t.Context()); err != nil {
			t.Fatal(err)
		}
	} else if _, err := power.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	return c.Run(t.Context())
}

func TestEveryCommandOfAProfileIsProvenAndShown(t *testing.T) {
	for manner, shows := range map[string]map[string]string{
		"quay": {
			"templates programming_on and programming_off": `sent "bench live", got "bench live 0", taken by yes of [power.programming_on]; sent "bench dead", got "`,
			"template direct.read":                         `sent "tell cv 8", got "holds 8 13", taken by yes of [direct.read]`,
			"template direct.verify_byte":                  `sent "ask cv 8 is 13", got "aye", taken by yes of [direct.verify_byte]; sent "ask cv 8 is 12", got "nay", taken by no of`,
			"template direct.verify_bit, nothing there":    `got "nay", taken by no of [direct.verify_bit]`,
			"template paged.verify_byte":                   `taken by yes of [paged.verify_byte]`,
			"template address.verify_byte":                 `sent "ask first cv 1 is 3", `,
			"template direct.write_byte":                   `would send "put cv 3 to 12" to set CV 3; not sent`,
			"template drive":                               `sent "vehicle 3 short ahead 0 of 128", got "aye", taken by yes of [drive]`,
			"template function":                            `sent "vehicle 3 short lamp 4 off", got "aye"`,
			"template packet":                              `, taken by [answers] chatter, got "aye", taken by yes of [packet]`,
		},
		"lighthouse": {
			"template direct.verify_bit": `, taken by no of [direct.verify_bit]`,
			"template function":          `sent "\x860700030000", "\x860800030010", "\x860900030020", "\x860a00030030", "\x860b00030040", got "\xA1`,
		},
		"capstan": {
			"template direct.read":       `sent "fetch 0008", got "0008 = 013", taken by yes of [direct.read]`,
			"template direct.write_byte": `would send "store 0003 012"`,
		},
	} {
		d := decoder(t, "tram-3")
		held := d.Values()
		delete(held, counter)
		empty, _, _ := plugged(t, manner)
		with, _, unplug := plugged(t, manner, d)
		on := with.(station.Checker).Checks()
		seen := map[string]string{}
		for n, c := range empty.(station.Checker).Checks() {
			s := empty
			if c.Scene == station.WithDecoder {
				s, c = with, on[n]
			}
			saw, err := do(t, s, c)
			if err != nil {
				t.Errorf("%s: %s: %v", manner, c.Name, err)
			}
			if seen[c.Name] != "" || saw == "" {
				t.Errorf("%s: %s: saw %q and %q", manner, c.Name, seen[c.Name], saw)
			}
			seen[c.Name] = saw
		}
		for name, want := range shows {
			if !strings.Contains(seen[name], want) {
				t.Errorf("%s: %s: saw\n%s, want\n%s", manner, name, seen[name], want)
			}
		}
		// Nobody looks at a decoder on whose track a fake is at work.
		if err := errors.Join(with.Close(), unplug()); err != nil {
			t.Error(err)
		}
		now := d.Values()
		if delete(now, counter); !maps.Equal(now, held) {
			t.Errorf("%s: the checks changed the decoder", manner)
		}
	}
}

func TestACheckSaysWhatIsWrongWithAProfile(t *testing.T) {
	swapped := strings.NewReplacer("yes  = 'aye'", "yes = 'nay'", "no   = 'nay'", "no = 'aye'").Replace(profileOf(t, "quay"))
	bad, err := ParseProfile("quay.toml", []byte(swapped))
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]string{}
	for _, decoders := range [][]*bench.Decoder{nil, {decoder(t, "tram-3")}} {
		s, _, _ := plugged(t, "quay", decoders...)
		b := s.(bothReader)
		b.profile = &bad
		for _, c := range b.Checks() {
			if (c.Scene == station.WithDecoder) == (decoders != nil) {
				if _, err := do(t, s, c); err != nil {
					found[c.Name] = err.Error()
				}
			}
		}
	}
	for name, want := range map[string]string{
		"template direct.verify_byte":                `by the profile that is no, and CV 8 holds 13: see whether yes and no are the right way round`,
		"template direct.verify_bit, nothing there":  `that is yes by the profile, and nothing is on the track`,
		"template direct.verify_byte, nothing there": `that is yes by the profile, and nothing is on the track`,
		"template drive":                             `no pattern of the profile takes it`,
	} {
		if !strings.Contains(found[name], want) {
			t.Errorf("%s: %s, want %s", name, found[name], want)
		}
	}
	if _, ok := found["template direct.read"]; ok {
		t.Error("what is right was found to be wrong")
	}
}

func TestTheFakesAreThoseThatHaveProfiles(t *testing.T) {
	if got := fakes.Names(); !slices.Equal(got, []string{"capstan", "lighthouse", "quay"}) {
		t.Errorf("%v", got)
	}
	if _, err := fakes.New("yard", nil); err == nil || !strings.Contains(err.Error(), "want one of capstan, lighthouse, quay") {
		t.Errorf("%v", err)
	}
}
