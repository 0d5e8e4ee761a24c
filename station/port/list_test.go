package port

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/google/go-cmp/cmp"

	"fettle/station"
)

// Invented devices: no such ids are assigned to anybody that this project knows of.
var (
	crane = details{"/dev/ttyUSB10", true, "F0E1", "0021", "Harbour crane board", "PE-21"}
	quay  = details{"/dev/ttyUSB2", true, "f0e1", "0022", "Quay board", ""}
)

func TestPortsAreListedInOrderWithWhatIsKnownOfThem(t *testing.T) {
	got := listed(
		[]string{"/dev/ttyUSB10", "/dev/ttyS0", "/dev/ttyUSB2", "/dev/tty.berth", "/dev/cu.berth", "/dev/tty.alone"},
		[]details{{}, crane, {name: "/dev/ttyS0"}, quay},
		map[string]string{"/dev/ttyUSB10": "/dev/serial/by-id/usb-crane"},
	)
	want := []Info{
		{Name: "/dev/cu.berth"},
		{Name: "/dev/tty.alone"},
		{Name: "/dev/ttyS0"},
		{Name: "/dev/ttyUSB2", USB: true, Vendor: 0xF0E1, Product: 0x22, Text: "Quay board"},
		{Name: "/dev/ttyUSB10", Stable: "/dev/serial/by-id/usb-crane", USB: true, Vendor: 0xF0E1, Product: 0x21, Text: "Harbour crane board", Serial: "PE-21"},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestAStableNameIsTheLinkToAPort(t *testing.T) {
	folder := t.TempDir()
	port, link := filepath.Join(folder, "ttyUSB0"), filepath.Join(folder, "by-id", "usb-quay")
	if err := errors.Join(os.WriteFile(port, nil, 0o600), os.Mkdir(filepath.Dir(link), 0o700), os.Symlink("../ttyUSB0", link),
		os.Symlink("../gone", link+"-gone")); err != nil {
		t.Fatal(err)
	}
	want := map[string]string{port: link}
	if got := stableNames(filepath.Dir(link)); !cmp.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if got := stableNames(filepath.Join(folder, "nowhere")); len(got) != 0 {
		t.Error(got)
	}
	if got := find([]Info{{Name: port, Stable: link, Text: "Quay board"}}, link); got.Text != "Quay board" {
		t.Errorf("%+v: not found by its stable name", got)
	}
	if got := find([]Info{{Name: port}}, "/dev/pts/7"); got != (Info{Name: "/dev/pts/7"}) {
		t.Errorf("%+v", got)
	}
}

func TestThePortsOfThisComputerCanBeListed(t *testing.T) {
	ports, err := List()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range ports {
		if found, err := Find(p.Name); err != nil || found != p {
			t.Errorf("%+v, %v, want %+v", found, err, p)
		}
	}
}

func TestAPortThatVanishesIsFoundAgainByWhatItIs(t *testing.T) {
	was, moved, other, twin := crane.info(), crane.info(), quay.info(), quay.info()
	moved.Name, twin.Name = "/dev/ttyUSB11", "/dev/ttyUSB3"
	failed := errors.New("the tree changed")
	for name, c := range map[string]struct {
		was    Info
		looks  [][]Info // what each look finds; the last one again and again
		exists bool     // its name does, though it is not listed
		fails  bool     // so does the last look
		want   string   // its name
		says   string   // else
	}{
		"it is there":                    {was: was, looks: [][]Info{{other, was}}, want: was.Name},
		"it comes back":                  {was: was, looks: [][]Info{nil, {other}, {other, was}}, want: was.Name},
		"under another name":             {was: was, looks: [][]Info{nil, {other, moved}}, want: moved.Name},
		"it stays away":                  {was: was, looks: [][]Info{{other}}, says: "has not come back"},
		"two of a kind, one of its name": {was: other, looks: [][]Info{{other, twin}}, want: other.Name},
		"two that could be it":           {was: Info{Name: "/dev/ttyUSB9", USB: true, Vendor: 0xF0E1, Product: 0x22}, looks: [][]Info{{other, twin}}, says: "both"},
		"not on USB":                     {was: Info{Name: "/dev/ttyS0"}, looks: [][]Info{nil, {{Name: "/dev/ttyS1"}}, {{Name: "/dev/ttyS0"}}}, want: "/dev/ttyS0"},
		"a pseudo-terminal":              {was: Info{Name: "/dev/pts/7"}, looks: [][]Info{nil}, exists: true, want: "/dev/pts/7"},
		"another one in its place":       {was: was, looks: [][]Info{{{Name: was.Name}}}, exists: true, says: "has not come back"},
		"it can't be told":               {was: was, looks: [][]Info{nil}, fails: true, says: "the tree changed"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			looks := c.looks
			list := func() ([]Info, error) {
				found := looks[0]
				if len(looks) > 1 {
					looks = looks[1:]
					return found, failed // of those before the last: it is only passing
				}
				if c.fails {
					return found, failed
				}
				return found, nil
			}
			got, err := again(t.Context(), c.was, list, func(string) bool { return c.exists }, 2*lookEvery)
			if got.Name != c.want || (err == nil) != (c.want != "") {
				t.Fatalf("%+v, %v, want %s", got, err, c.want)
			}
			if err != nil && (!strings.Contains(err.Error(), c.says) || errors.Is(err, station.ErrLost) == c.fails) {
				t.Errorf("%v, want %q", err, c.says)
			}
		})
	}
}

func TestLookingForAPortEndsWithItsContext(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	time.AfterFunc(10*time.Millisecond, stop)
	if _, err := Again(ctx, crane.info()); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// FuzzADeviceMaySayAnything holds that whatever a device says of itself leaves a line of text that a terminal shows as it is.
func FuzzADeviceMaySayAnything(f *testing.F) {
	for _, d := range []details{crane, quay, {name: "x", usb: true, vendor: "10000", product: "-1"}} {
		f.Add(d.name, d.vendor, d.product, d.text, d.serial)
	}
	f.Add("/dev/ttyUSB0", "1", "2", "\x1b[31mred\r\n", "\u202efdp.exe\xff")
	f.Fuzz(func(t *testing.T, name, vendor, product, text, serial string) {
		p := details{name, true, vendor, product, text, serial}.info()
		if p.Name != name {
			t.Errorf("%+v", p)
		}
		for _, s := range []string{p.Text, p.Serial} {
			runes := []rune(s)
			if len(runes) > longestText || slices.ContainsFunc(runes, func(r rune) bool { return !unicode.IsPrint(r) }) {
				t.Errorf("%q is not plain", s)
			}
		}
		if plain(p.Text) != p.Text {
			t.Errorf("%q is not plain yet", p.Text)
		}
		if !p.USB && p != (Info{Name: name}) {
			t.Errorf("%+v: it is not on USB, and yet", p)
		}
	})
}
