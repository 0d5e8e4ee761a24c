package board

import (
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fettle/station"
	"fettle/station/board/link"
	"fettle/station/port"
)

// silent is a line at which nobody is.
func silent(t *testing.T) *talk {
	var hellos []turn
	for range (greetings + 1) * tries {
		hellos = append(hellos, says(link.Hello))
	}
	return conversation(t, hellos...)
}

func TestABoardIsFoundWhereItIsTheOnlyOneThatAnswers(t *testing.T) {
	const busy = "busy"
	for name, c := range map[string]struct {
		ports map[string]*talk // nil: can't be opened
		named string
		at    string
		want  []string // in the error
		lost  bool
	}{
		"the one named":  {map[string]*talk{"A": conversation(t, greeting...), "B": nil}, "A", "A", nil, false},
		"the only one":   {map[string]*talk{"A": silent(t), "B": conversation(t, greeting...), "C": nil}, "", "B", nil, false},
		"two of them":    {map[string]*talk{"A": conversation(t, greeting...), "B": conversation(t, greeting...)}, "", "", []string{"A and B", "board:A"}, false},
		"none of them":   {map[string]*talk{"A": silent(t), "B": nil}, "", "", []string{"tried were A, B (" + busy + ")", "no board answers"}, true},
		"no port at all": {nil, "", "", []string{"no serial port", "plugged in"}, true},
		"not the named":  {map[string]*talk{"A": nil}, "A", "", []string{busy}, false},
	} {
		list := func() (names []string, _ error) {
			for _, name := range []string{"A", "B", "C"} {
				if _, ok := c.ports[name]; ok {
					names = append(names, name)
				}
			}
			return names, nil
		}
		dial := func(name string) (port.Line, error) {
			if l := c.ports[name]; l != nil {
				return l, nil
			}
			return nil, errors.New(busy)
		}
		b, err := open(c.named, list, dial)
		if (err == nil) != (c.at != "") || err == nil && b.Describe().Title != c.at || errors.Is(err, station.ErrLost) != c.lost {
			t.Errorf("%s: %v", name, err)
		}
		for _, words := range c.want {
			if err == nil || !strings.Contains(err.Error(), words) {
				t.Errorf("%s: %v, which does not say %q", name, err, words)
			}
		}
		for port, l := range c.ports {
			if l != nil && l.open != (port == c.at) {
				t.Errorf("%s: port %s is open: %v", name, port, l.open)
			}
		}
	}
	failed := errors.New("the system does not say")
	if _, err := open("", func() ([]string, error) { return nil, failed }, nil); !errors.Is(err, failed) {
		t.Error(err)
	}
}

func TestABoardIsLookedForOnUSB(t *testing.T) {
	usb, other := port.Info{Name: "usb", USB: true}, port.Info{Name: "other"}
	for _, c := range []struct {
		all  []port.Info
		want []string
	}{
		{nil, nil}, {[]port.Info{other, usb}, []string{"usb"}}, {[]port.Info{other}, []string{"other"}},
	} {
		if got := likely(c.all); !slices.Equal(got, c.want) {
			t.Errorf("of %+v: %v, want %v", c.all, got, c.want)
		}
	}
}

func TestABoardIsOpenedByItsKind(t *testing.T) {
	none := filepath.Join(t.TempDir(), "ttyUSB9")
	if s, err := station.Open("board:" + none); s != nil || !errors.Is(err, station.ErrLost) || !strings.Contains(err.Error(), none) {
		t.Errorf("%v, %v", s, err)
	}
}
