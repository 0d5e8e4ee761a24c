package regset

import (
	"slices"
	"strings"
	"time"

	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
)

// Survey is what was read from one decoder. While it is being taken its file has all that was read by then, and what is left.
type Survey struct {
	Decoder   Guard
	When      time.Time
	Station   string
	Of        []cv.Register // what it is of; none: not said. Each of these is in one of Registers, Absent, Unsure and Left
	Registers cv.Values     // what was proven
	Absent    []cv.Register // the decoder has no such register
	Unsure    []cv.Register // what it holds could not be proven
	Changing  []cv.Register // it changes by itself; Registers may have what it held once
	Pages     []cv.Page     // that were looked at behind CV 31 and 32; nil: not said, or they have still to be looked for
	Left      []cv.Register // still to be read
	Once      []cv.Register // of Registers: still to be read a second time, to see whether they change by themselves
}

// Unfinished says whether the survey was stopped before its end. One that does not say what it is of never is.
func (s Survey) Unfinished() bool {
	return len(s.Left) > 0 || len(s.Once) > 0 || len(s.Of) > 0 && s.Pages == nil
}

// ReadSurvey reads a survey from a file. Errors: *regtoml.Errors, with the place of each; those of opening the file.
func ReadSurvey(path string) (Survey, error) { return read(path, ParseSurvey) }

// ParseSurvey reads a survey from the text of a file. The lists come back in order. Errors: *regtoml.Errors, with the place of each.
func ParseSurvey(file string, data []byte) (Survey, error) { return parseSurvey(file, data, nil) }

func parseSurvey(file string, data []byte, terms Terms) (Survey, error) {
	doc, err := regtoml.Parse(file, data)
	if err != nil {
		return Survey{}, err
	}
	root := doc.Root()
	parseFormat(root)
	root.Require("when", "registers")
	var s Survey
	s.Decoder = guard(root, terms)
	s.When, _ = root.Time("when")
	s.Station, _ = root.String("station")
	s.Registers, _ = root.Values("registers")
	s.Of, _ = root.RegisterRanges("of")
	s.Absent, _ = root.RegisterRanges("absent")
	s.Unsure, _ = root.RegisterRanges("unsure")
	s.Changing, _ = root.RegisterRanges("changing")
	s.Pages, _ = root.Pages("pages")
	s.Left, _ = root.RegisterRanges("left")
	s.Once, _ = root.RegisterRanges("once")
	s.contradictions(root)
	if doc.Err() == nil { // else what it says nothing of may be where the mistake is
		s.gaps(root)
	}
	if err := doc.Err(); err != nil {
		return Survey{}, err
	}
	return s, nil
}

// contradictions notes a register of which the survey says two things that can't both be.
func (s Survey) contradictions(root *regtoml.Table) {
	said := map[cv.Register]string{}
	for r := range s.Registers {
		said[r] = "registers"
	}
	for _, list := range []struct {
		key       string
		registers []cv.Register
	}{{"absent", s.Absent}, {"unsure", s.Unsure}, {"left", s.Left}} {
		for _, r := range list.registers {
			if first, twice := said[r]; twice {
				root.Errorf(list.key, "found register %v here and in %s, want it in one of the two", r, first)
			}
			said[r] = list.key
		}
	}
	for _, r := range s.Changing {
		if said[r] == "absent" {
			root.Errorf("changing", "found register %v here and in absent, want it in one of the two", r)
		}
	}
	for _, r := range s.Once {
		if said[r] != "registers" {
			root.Errorf("once", "found register %v, want one that registers has", r)
		}
	}
}

// gaps notes what the survey should speak of, and does not: a file that was cut off between two lines.
func (s Survey) gaps(root *regtoml.Table) {
	known := map[cv.Register]bool{}
	for r := range s.Registers {
		known[r] = true
	}
	for _, r := range slices.Concat(s.Absent, s.Unsure, s.Left) {
		known[r] = true
	}
	silent := slices.DeleteFunc(slices.Clone(s.Of), func(r cv.Register) bool { return known[r] })
	if len(silent) > 0 {
		root.Errorf("of", "found nothing of %s in the file, want each register in registers, absent, unsure or left: has it been cut short?",
			strings.Join(cv.Ranges(silent), ", "))
	}
}
