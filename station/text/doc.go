// Package text is a command station that is reached by lines of text, as a profile describes it: a file that its user writes from the
// station's own manual.
//
//	text:yard.toml        the station that the profile yard.toml describes
//
// Commands open it by name, with station.Open. Elsewhere start with [ParseProfile] and [New]. A station has the abilities that its
// profile has commands for: station.ProgrammingTrack, station.Main, or both; and station.Checker, by which the profile is proven
// against the station, command by command.
//
// # Profile
//
// A profile is TOML. Only title, [port], [line] and one command must be there. Everything in it is printable ASCII; text with a
// backslash in it stands in single quotes.
//
//	title = "Yard station"           # what is printed wherever it is used
//	[port]
//	name      = "/dev/ttyUSB0"       # as the operating system names it: COM3
//	baud      = 57600
//	data_bits = 8                    # 5 to 8
//	parity    = "none"               # none, odd, even
//	stop_bits = 1                    # 1 or 2
//	[line]
//	start        = ""                # before each line that is sent
//	end          = "{0x0D}"          # after it
//	answer_start = ""                # before each line that comes back; what comes before that is passed over
//	answer_end   = "{0x0D}{0x0A}"    # after it; else as end. Stray line feeds and carriage returns are taken off
//	longest      = 200               # bytes of a line that comes back, at most 4096. A longer one is an error
//	lines        = 20                # that are read for one command, at most 1000. More without an answer is an error
//	echo         = false             # the station repeats each line that it gets: that is passed over, once for each line
//	[answers]
//	error   = ['bad .*']             # the station says that something went wrong, as an overload: Fettle stops, nothing is tried again
//	chatter = ['clock [0-9:]+']      # what it says of itself now and then: passed over
//
// Then the commands. Those for the programming track are in a table for the service mode that the station uses for them
// (NMRA S-9.2.3): direct, paged, register, address. Where its manual says nothing of modes, direct.
//
//	[direct.read]                    # a whole register
//	send       = "tell {cv}"
//	yes        = 'holds (?P<value>[0-9]+)'
//	no         = 'nobody answers'    # no acknowledgement
//	timeout_ms = 5000                # after so long without an answer the station is taken to be lost; at most ten minutes
//
// The commands, what send must have, in brackets what it may have, and what the answers must have:
//
//	[MODE.read]          cv                             yes with the part value, no
//	[MODE.verify_byte]   cv, value                      yes, no
//	[MODE.write_byte]    cv, value                      yes; no where the station tells that nothing acknowledged
//	[direct.verify_bit]  cv, bit, bit_value             yes, no
//	[direct.write_bit]   cv, bit, bit_value             as write_byte
//	[power.programming_on], [power.programming_off]     both or neither. Part milliamps of yes: what is drawn at rest
//	[power.main_on], [power.main_off]                   likewise
//	[drive]              address, step, direction (long, steps)
//	[function]           address, function, state (long)
//	[packet]             packet (times)                 a packet to the main as it stands
//
// Where power, drive, function and packet have no yes, no answer to them is waited for.
//
// # Templates
//
// What a command sends is text with placeholders in braces, filled in for each command. {0x1B} is the byte of that number.
//
//	{cv} {cv_address}            the register, from 1; the same less one, as packets count (S-9.2.1)
//	{value}                      0 to 255
//	{bit} {bit_value}            0 to 7; what it is to be
//	{address} {long}             of the vehicle; whether it is a 14-bit one
//	{step} {steps} {direction}   speed, 0 for stop; in how many steps it counts: 14, 28 or 128 (which has 126), and without
//	                             {steps} always 128; whether it is forward
//	{function} {state}           0 to 28; whether it is on
//	{packet} {packet_data}       the bytes of a packet, with the check byte and without
//	{times}                      how often a packet is sent in a row; without it the command is given so many times
//	{tag}                        1 to 99, another one for each command, that the station gives back with the answer
//
// After a colon comes how it is written. A number: d, x, X or b for decimal, hexadecimal or binary, and before it a 0 and the least
// number of digits. {value:03d} is 007, {value:02X} is 0F, {cv} is {cv:d}. What is true or false, {bit_value}, {long},
// {direction} and {state}: two words, {direction:ahead|astern}; without them 1 and 0. The bytes of a packet: as a number, and after a
// stroke what stands between them: {packet:02X/,} is 37,74,43, and {packet} has them in decimal with a space between.
//
// # Patterns
//
// What comes back is held against patterns, which are regular expressions as Go has them, at most 200 characters long. A pattern has to
// take the whole line, without its start and end. Each byte is one character, so that \xFE is the byte 0xFE. yes and no of the
// command come first, then error, then chatter. A line that none takes is an error.
//
// Named parts are numbers: (?P<value>[0-9]+) in decimal, (?P<value_hex>[0-9A-F]+) in hexadecimal, (?P<value_binary>[01]+). Beside
// those that a command needs, yes and no may have each placeholder of its own command, and should have what the station repeats: a
// line in which the register or the tag is another one is the answer to something else, and is passed over. A command with {tag} must
// have it in each answer: several such commands are sent at once, and are answered in any order. An error may have it too.
//
// # What is made from what
//
// Where a mode has no verify, a register is read and compared, for each question anew: an answer out of memory would say nothing of
// the noise on the track. Since that takes its time, what a station says it has read is what package prog asks for first: it is a
// station.Reader. A bit is written, where there is no write_bit, as a byte out of two reads that agree. Whole values are proven
// by questions in any case, by package prog. What can't be made is nmra.ErrNotInMode. The station keeps to service mode as it likes,
// so each access is taken to be complete in itself: Lead and Pace of nmra.Access make no difference.
//
// Where the profile has both tracks, PowerOn turns on the programming track, and the main comes on with the first packet that is sent
// to it. Where the profile has no commands for power, the station sees to it, and a power cycle may be none.
package text
