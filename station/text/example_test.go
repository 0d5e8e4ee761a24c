package text_test

import (
	"fmt"

	"fettle/station/text"
)

// What is wrong with a profile is told with its place, and nothing is sent by one that has an error.
func ExampleParseProfile() {
	_, err := text.ParseProfile("yard.toml", []byte(`title = "Yard station"
[port]
name = "/dev/ttyUSB0"
baud = 9600
[line]
end = "{0x0D}"
[direct.read]
send = "tell {register}"
yes = 'holds (?P<value>[0-9]+)'
no = 'nobody answers'
`))
	fmt.Println(err)
	// Output: yard.toml:8:8: found {register}, want one of {cv}, {cv_address}, {tag}, or a byte as {0x0D}
}
