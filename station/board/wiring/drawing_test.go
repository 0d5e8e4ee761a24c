package main

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"
)

func TestTheDrawingKeptIsTheOneMadeHere(t *testing.T) {
	kept, err := os.ReadFile("../wiring.svg")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(kept, circuit().svg()) {
		t.Error("wiring.svg is not what circuit.go draws: go generate ./station/board/wiring")
	}
}

// rect is from its left and upper end to its right and lower end.
type rect struct{ left, top, right, bottom int }

func (r rect) meets(s rect) bool {
	return r.left < s.right && s.left < r.right && r.top < s.bottom && s.top < r.bottom
}

func (r rect) String() string { return fmt.Sprintf("%d,%d to %d,%d", r.left, r.top, r.right, r.bottom) }

// line is the rect that a straight line covers.
func line(a, b point, thick int) rect {
	return rect{min(a.x, b.x) - thick/2, min(a.y, b.y) - thick/2, max(a.x, b.x) + thick/2, max(a.y, b.y) + thick/2}
}

// room is the rect that a text covers at most, in the letters that the drawing asks for: no line of it is wider, as the letters are at most
// two thirds as wide as high on the average.
func (t text) room() rect {
	long := utf8.RuneCountInString(t.words) * t.size * 62 / 100
	if t.bold {
		long = utf8.RuneCountInString(t.words) * t.size * 70 / 100
	}
	left := map[string]int{"start": t.at.x, "middle": t.at.x - long/2, "end": t.at.x - long}[t.align]
	return rect{left, t.at.y - t.size*8/10, left + long, t.at.y + t.size/5}
}

// lines are all that is drawn with a stroke in a file: wires, the edges of boxes, and signs.
func lines(t *testing.T, svg []byte) []rect {
	var all []rect
	for d := xml.NewDecoder(bytes.NewReader(svg)); ; {
		token, err := d.Token()
		if token == nil {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		start, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		of := map[string]string{}
		for _, a := range start.Attr {
			of[a.Name.Local] = a.Value
		}
		number := func(name string) int {
			n, err := strconv.Atoi(of[name])
			if err != nil {
				t.Fatalf("%s of a %s: %v", name, start.Name.Local, err)
			}
			return n
		}
		var path []point
		switch start.Name.Local {
		case "polyline":
			for _, at := range strings.Fields(of["points"]) {
				var p point
				if _, err := fmt.Sscanf(at, "%d,%d", &p.x, &p.y); err != nil {
					t.Fatalf("points %q: %v", of["points"], err)
				}
				path = append(path, p)
			}
		case "rect":
			if of["stroke"] == "" {
				continue
			}
			x, y, right, bottom := number("x"), number("y"), number("x")+number("width"), number("y")+number("height")
			path = []point{{x, y}, {right, y}, {right, bottom}, {x, bottom}, {x, y}}
		case "circle":
			x, y := number("cx"), number("cy")
			path = []point{{x - 5, y}, {x + 5, y}}
		case "path":
			path = strokes(t, of["d"])
		}
		thick := 2
		if n, err := strconv.Atoi(of["stroke-width"]); err == nil {
			thick = n
		}
		for i := 1; i < len(path); i++ {
			all = append(all, line(path[i-1], path[i], thick))
		}
	}
}

// strokes are the points of a path, with those that it jumps between too.
func strokes(t *testing.T, d string) []point {
	var path []point
	var at, begin point
	for d != "" {
		command := d[0]
		d = d[1:]
		end := strings.IndexAny(d, "MHVhvlmz")
		if end < 0 {
			end = len(d)
		}
		var n []int
		for _, field := range strings.Fields(d[:end]) {
			v, err := strconv.Atoi(field)
			if err != nil {
				t.Fatalf("path: %v", err)
			}
			n = append(n, v)
		}
		d = d[end:]
		switch command {
		case 'M':
			at = point{n[0], n[1]}
			begin = at
		case 'H':
			at.x = n[0]
		case 'V':
			at.y = n[0]
		case 'h':
			at.x += n[0]
		case 'v':
			at.y += n[0]
		case 'l', 'm':
			at = point{at.x + n[0], at.y + n[1]}
		case 'z':
			at = begin
		}
		path = append(path, at)
	}
	return path
}

func TestNoTextStandsOnALineOrOnAnotherTextOrBeyondThePaper(t *testing.T) {
	d := circuit()
	drawn := lines(t, d.svg())
	if len(drawn) < 100 {
		t.Fatalf("%d lines were found in the drawing: want all of them", len(drawn))
	}
	for i, words := range d.texts {
		room := words.room()
		if room.left < 10 || room.top < 10 || room.right > width-10 || room.bottom > height-10 {
			t.Errorf("%q stands beyond the paper: %v", words.words, room)
		}
		for _, line := range drawn {
			if room.meets(line) {
				t.Errorf("%q (%v) stands on a line: %v", words.words, room, line)
			}
		}
		for _, other := range d.texts[:i] {
			if room.meets(other.room()) {
				t.Errorf("%q stands on %q", words.words, other.words)
			}
		}
	}
}

func TestWiresMeetOnlyAtTheirEnds(t *testing.T) {
	var found int
	wires := circuit().wires
	for i, a := range wires {
		for _, b := range wires[:i] {
			for m := 1; m < len(a.path); m++ {
				for n := 1; n < len(b.path); n++ {
					p, q := line(a.path[m-1], a.path[m], 0), line(b.path[n-1], b.path[n], 0)
					both := rect{max(p.left, q.left), max(p.top, q.top), min(p.right, q.right), min(p.bottom, q.bottom)}
					if both.left > both.right || both.top > both.bottom {
						continue
					}
					found++
					if at := (point{both.left, both.top}); both != (rect{at.x, at.y, at.x, at.y}) || !a.ends(at) && !b.ends(at) {
						t.Errorf("%q and %q run into each other at %v", a.kind.name, b.kind.name, both)
					}
				}
			}
		}
	}
	if found < 5 {
		t.Errorf("%d places were found where wires meet: want those of the nodes at least", found)
	}
}

func (w wire) ends(p point) bool { return p == w.path[0] || p == w.path[len(w.path)-1] }

func TestNoTwoKindsOfWireDifferInColourAlone(t *testing.T) {
	drawn := map[string]kind{}
	for _, w := range circuit().wires {
		look := fmt.Sprint(w.kind.width, w.kind.dashes)
		if other, ok := drawn[look]; ok && other != w.kind && other.name != "" && w.kind.name != "" {
			t.Errorf("%q and %q look alike without colour", other.name, w.kind.name)
		}
		drawn[look] = w.kind
	}
}
