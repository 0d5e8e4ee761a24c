package regset

import (
	"time"

	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
)

// Survey is what was read from one decoder.
type Survey struct {
	Decoder   Guard
	When      time.Time
	Station   string
	Registers cv.Values     // what was proven
	Absent    []cv.Register // the decoder has no such register
	Unsure    []cv.Register // what it holds could not be proven
	Changing  []cv.Register // it changes by itself; Registers may have what it held once
	Pages     []cv.Page     // that were looked at behind CV 31 and 32
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
	s.Absent, _ = root.RegisterRanges("absent")
	s.Unsure, _ = root.RegisterRanges("unsure")
	s.Changing, _ = root.RegisterRanges("changing")
	s.Pages, _ = root.Pages("pages")
	s.contradictions(root)
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
	}{{"absent", s.Absent}, {"unsure", s.Unsure}} {
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
}
