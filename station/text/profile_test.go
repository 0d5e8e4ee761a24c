package text

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/station/port"
)

// stations is where the profiles of the fakes are.
const stations = "../../testdata/stations"

func profileOf(t testing.TB, name string) (text string) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(stations, name+".toml"))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func TestAProfileSaysWhatItSays(t *testing.T) {
	p, err := ParseProfile("quay.toml", []byte(profileOf(t, "quay")))
	if err != nil {
		t.Fatal(err)
	}
	if want := (port.Settings{Baud: 57600, DataBits: 8, StopBits: 1}); p.where != "/dev/ttyUSB0" || p.port != want {
		t.Errorf("port %s, %v, want /dev/ttyUSB0, %v", p.where, p.port, want)
	}
	if p.title != "Port Elvering quay station" || string(p.line.end) != "\r" || string(p.line.answerEnd) != "\r\n" ||
		p.line.longest != 80 || p.line.most != defaultLines || p.line.echo {
		t.Errorf("%q, %+v", p.title, p.line)
	}
	if len(p.modes) != 4 || p.modes[nmra.Paged].read != nil || p.modes[nmra.Direct].writeBit == nil || len(p.errors) != 1 || len(p.noise) != 1 {
		t.Errorf("%+v", p)
	}
	if c := p.modes[nmra.Direct].read; c.timeout != 10*time.Second || !c.yes.has("value") || c.String() != "[direct.read]" {
		t.Errorf("%+v", c)
	}
	p, err = ParseProfile("lighthouse.toml", []byte(profileOf(t, "lighthouse")))
	if err != nil || string(p.line.start) != "\xF5\x02" || p.port.Parity != port.Even || p.modes[nmra.Direct].verifyBit.timeout != 5*time.Second {
		t.Errorf("%v, %+v", err, p)
	}
	if p, err = ParseProfile("capstan.toml", []byte(profileOf(t, "capstan"))); err != nil || !p.line.echo || p.runs() || !p.programs() {
		t.Errorf("%v, %+v", err, p)
	}
}

// small is the least that a profile can be.
const small = `title = "Yard station"
[port]
name = "yard"
baud = 9600
[line]
end = "{0x0A}"
[direct.read]
send = "tell {cv}"
yes = '(?P<value>[0-9]+)'
no = 'none'
`

func TestEveryMistakeInAProfileIsFoundWithItsPlace(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{`title = "Yard station"`, ``, `p.toml:1:1: found no key "title", want one`},
		{`"Yard station"`, `""`, `p.toml:1:9: found an empty title, want what the station is`},
		{`"Yard station"`, `"Yard\nstation"`, `p.toml:1:9: found the character U+000A in text, want text that prints on one line`},
		{`name = "yard"`, `name = ""`, `p.toml:3:8: found an empty name, want that of a serial port`},
		{`baud = 9600`, ``, `p.toml:2:2: found no key "baud" in "port", want one`},
		{`9600`, `9600.5`, `p.toml:4:8: found 9600.5, want a whole number from 50 to 4000000`},
		{`9600`, `7`, `p.toml:4:8: found 7, want a whole number from 50 to 4000000`},
		{`9600`, "9600\ndata_bits = 9", `p.toml:5:13: found 9, want a whole number from 5 to 8`},
		{`9600`, "9600\nstop_bits = 1.5", `p.toml:5:13: found 1.5, want a whole number from 1 to 2`},
		{`9600`, "9600\nparity = \"mark\"", `p.toml:5:10: found "mark", want one of none, odd, even`},
		{`9600`, "9600\nflow = true", `p.toml:5:1: found unknown key "flow", want one of baud, data_bits, name, parity, stop_bits`},
		{`end = "{0x0A}"`, ``, `p.toml:5:2: found no key "end" in "line", want one`},
		{`"{0x0A}"`, `""`, `p.toml:6:7: found nothing, want the bytes that end a line, as {0x0D}`},
		{`"{0x0A}"`, `"{cv}"`, `p.toml:6:7: found {cv}, want no placeholder here, only bytes as {0x0D}`},
		{`"{0x0A}"`, "\"{0x0A}\"\nlongest = 0", `p.toml:7:11: found 0, want a whole number from 1 to 4096`},
		{`"{0x0A}"`, "\"{0x0A}\"\nlines = 1001", `p.toml:7:9: found 1001, want a whole number from 1 to 1000`},
		{`"{0x0A}"`, "\"{0x0A}\"\necho = 1", `p.toml:7:8: found 1, want true or false`},
		{`"{0x0A}"`, "\"{0x0A}\"\nanswer_end = \"\"", `p.toml:7:14: found nothing, want the bytes that end a line`},
		{`[direct.read]`, "[answers]\nerror = ['(']\n[direct.read]", `p.toml:8:9: in '(': found what is no pattern`},
		{`[direct.read]`, "[answers]\nchatter = ['(?P<tag>.)']\n[direct.read]", `p.toml:8:11: in '(?P<tag>.)': found the part tag, want no named parts here`},
		{`[direct.read]`, "[answers]\nerror = 'x'\n[direct.read]", `p.toml:8:9: found text "x", want a list of texts in quotes`},
		{`[direct.read]`, "[answers]\nnoise = ['x']\n[direct.read]", `p.toml:8:1: found unknown key "noise", want one of chatter, error`},
		{`send = "tell {cv}"`, ``, `p.toml:7:9: found no key "send" in "read", want one`},
		{`"tell {cv}"`, `"tell"`, `p.toml:8:8: found no {cv}, want it in the line`},
		{`"tell {cv}"`, `""`, `p.toml:8:8: found nothing, want the line to be sent`},
		{`"tell {cv}"`, `"tell {cv} {value}"`, `p.toml:8:8: found {value}, want one of {cv}, {cv_address}, {tag}, or a byte`},
		{`"tell {cv}"`, `"tell{0x0A}{cv}"`, `p.toml:8:8: found the end of a line in it, want one line`},
		{`"tell {cv}"`, `"tell {tag} {cv}"`, `p.toml:9:7: found no part tag, want the tag that send has`},
		{`'(?P<value>[0-9]+)'`, `'[0-9]+'`, `p.toml:9:7: found no part value, want it, as (?P<value>[0-9]+)`},
		{`'(?P<value>[0-9]+)'`, `'(?P<value>[0-9]+)(?P<bit>.)'`, `p.toml:9:7: found the part bit, want one of cv, value, or with _hex or _binary after it`},
		{`'(?P<value>[0-9]+)'`, `'(?P<value>[0-9]+)(?P<milliamps>.)'`, `p.toml:9:7: found the part milliamps, want one of cv, value`},
		{`no = 'none'`, ``, `p.toml:7:9: found no key "no" in "read", want one`},
		{`no = 'none'`, `no = '(?P<value>.)'`, `p.toml:10:6: found the part value, want one of cv`},
		{`no = 'none'`, "no = 'none'\ntimeout_ms = 0", `p.toml:11:14: found 0, want a whole number from 1 to 600000`},
		{`no = 'none'`, "no = 'none'\nretries = 3", `p.toml:11:1: found unknown key "retries", want one of no, send, timeout_ms, yes`},
		{`[direct.read]`, `[direkt.read]`, `p.toml:7:2: found unknown key "direkt", want one of address, answers, direct`},
		{`[direct.read]`, `[direct.lesen]`, `p.toml:7:9: found unknown key "lesen", want one of read, verify_bit, verify_byte, write_bit, write_byte`},
		{`[direct.read]`, `[paged.verify_bit]`, `found unknown key "verify_bit", want one of read, verify_byte, write_byte`},
		{`[direct.read]`, `[direct.verify_bit]`, `p.toml:7:2: found neither read nor both of verify_byte and verify_bit, want one or the other`},
		{`[direct.read]`, "[paged.write_byte]\nsend = 'a{cv}{value}'\nyes = 'b'\n[direct.read]", `p.toml:7:2: found neither read nor verify_byte, want one of them`},
		{`[direct.read]`, "[power.main_on]\nsend = 'a'\n[direct.read]", `found main_on without main_off, want both`},
		{`[direct.read]`, "[power.programming_off]\nsend = 'a'\n[direct.read]", `found programming_off without programming_on, want both`},
		{`[direct.read]`, "[packet]\nsend = '{times}'\n[direct.read]", `p.toml:8:8: found no {packet}, want it in the line`},
		{`[direct.read]`, "[drive]\nsend = '{address}'\nno = 'x'\n[direct.read]", `p.toml:8:8: found no {step}, want it in the line`},
		{`[direct.read]`, "[drive]\nsend = '{address}{step}{direction}'\nno = 'x'\n[direct.read]", `p.toml:9:1: found unknown key "no", want one of send, timeout_ms, yes`},
		{small[strings.Index(small, "[direct"):], ``, `p.toml:1:1: found nothing that the station can do`},
	} {
		text := strings.Replace(small, c.old, c.new, 1)
		p, err := ParseProfile("p.toml", []byte(text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s for %s:\n%v\nwant %s", c.new, c.old, err, c.want)
		}
		if !cmp.Equal(p, Profile{}, cmp.AllowUnexported(Profile{}, manner{}, track{})) {
			t.Errorf("%s for %s: something came of it all the same", c.new, c.old)
		}
	}
	if _, err := ParseProfile("p.toml", []byte(small)); err != nil {
		t.Errorf("without a mistake: %v", err)
	}
}

func TestARegisterMayBeCountedFromNoughtAndAPacketMayLackItsCheckByte(t *testing.T) {
	for old, send := range map[string]string{
		"[direct.read]\nsend = \"tell {cv}\"": "[direct.read]\nsend = \"tell {cv_address}\"",
		"[direct.read]":                       "[packet]\nsend = \"{packet_data}\"\n[direct.read]",
	} {
		if _, err := ParseProfile("p.toml", []byte(strings.Replace(small, old, send, 1))); err != nil {
			t.Errorf("%s: %v", send, err)
		}
	}
}

func FuzzAProfileIsRefusedOrCanBeUsed(f *testing.F) {
	f.Add([]byte(small))
	for _, name := range []string{"quay", "lighthouse", "capstan"} {
		f.Add([]byte(profileOf(f, name)))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := ParseProfile("p.toml", data)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "p.toml:") {
				t.Fatalf("%v: want the place", err)
			}
			return
		}
		s := New(p, &wire{answers: func(string) string { return "aye\r\n" }})
		if s.Describe().Title == "" {
			t.Fatal("it has no title")
		}
		useAll(t, s)
	})
}
