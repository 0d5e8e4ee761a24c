// Package bench is the simulated bench: a track with decoders on it, on a virtual clock, with nothing connected.
//
// The bench is not a mock. A [Bench] plays every packet bit by bit; a [Decoder] receives the bits and follows NMRA S-9.2 (packets),
// S-9.2.1 (packets on the main), S-9.2.2 (registers) and S-9.2.3 (service mode). It answers with current alone, and the bench
// measures that current in samples, as the hardware of a programming track does. What plays the bits may as well be outside: a
// [Track] is the rails and the decoders without a station.
//
// Commands open it by name, with station.Open:
//
//	bench:                        harbour tram 3, an ordinary decoder
//	bench:engine-21               another of those built in; Names lists them
//	bench:my-decoder.toml         one that a file of the user's describes
//	bench:tram-3+shunter-7        several at once, on one track
//	bench:nothing                 an empty track
//
// So opened, each decoder remembers: what it holds lasts from one command to the next, on disk, as in the decoder's own memory.
// [Fresh] takes a new one out of its box. Tests and campaigns start with [BuiltIn] or [ParseDecoder], [Spec.New] and [New], which
// touch no disk.
//
// # Railway
//
// A vehicle runs on the same clock: [Bench.Lay] builds a section, [Bench.Place] puts the vehicle of the first decoder that has one before
// it, [Bench.Wait] lets time pass, [Bench.Look] and [Bench.Gate] say what became of it. Its decoder obeys speeds, stops and function 0, and
// takes drive levels and momentum from its registers as S-9.2.2 has them. Its leading end brings it into a section and out of it.
//
// # Decoder file
//
// A decoder file is TOML. Only title, modes and [registers] must be there.
//
//	title = "Ferry-berth shunter 7"
//	modes = ["direct", "paged", "register", "address"]   # in which it answers
//	[registers]                      # what it holds after a factory reset; what is not listed is absent
//	1 = 3
//	"67-94" = [9, 18, 27]            # shorter than the range: the rest is 0
//	"257-260@16.0" = [1, 2, 3, 4]    # behind index page CV 31 = 16, CV 32 = 0
//	[quirks]
//	read_only = ["112-115"]          # not written, not acknowledged; 7 and 8 never are, except 8 = 8, the factory reset
//	changing  = ["892"]              # counts up by itself, one every two seconds; not written
//	mask  = { 29 = 0b0010_0111 }     # the bits that can be set; the others stay, and the write is acknowledged
//	clamp = { 5 = [0, 180] }         # kept within, and the write is acknowledged
//	[pace]                           # in service mode
//	packets = 2                      # identical ones in a row that it needs before it acts on them: S-9.2.3 has 2, and 5 sent at least
//	resets  = 0                      # in a row that it needs before each question and each write: an old one may need what leads into
//	                                 # service mode, 3, where S-9.2.3 lets verifies follow each other
//	[ack]
//	milliamps    = 80                # current of an acknowledgement, above rest
//	milliseconds = 6.0               # and how long it flows
//	ragged = 0.0                     # part of that time in which the wheels have no contact, in four gaps
//	lost   = 0.0                     # chance that an acknowledgement is not seen
//	false  = 0.0                     # chance that one is seen where there was none
//	seed   = 1                       # of that chance
//	[rest]
//	milliamps        = 8             # with all outputs off
//	inrush_milliamps = 8             # while the power comes on
//	inrush_ms        = 0.0           # and how long
//	[memory]
//	write_ms = 4.0                   # how long a register takes to be written
//	[reset]
//	power_cycles = 1                 # how many a factory reset takes; CV 8 is 255 until then
//	[faults]                         # each happens once, then never again until the decoder is taken out of its box anew
//	power_cut_at_write = 3           # in the middle of that write, counted from 1, the power goes: the register is then erased, 255
//	power_cut_after_ms = 900         # after so much time on the track since the bench was opened
//	removed_after_ms   = 400         # likewise the decoder is lifted off, and stays off until the bench is closed
//	[vehicle]                        # what it is built into; without it nothing moves
//	top_mm_s       = 420             # front first, at full drive; must be there
//	reverse        = 1.0             # of that, rear first
//	dead_band      = 0.0             # drive, of full drive, up to which it stands
//	curve          = 1.0             # its speed goes with the drive beyond that to this power
//	lag_ms         = 0               # time constant with which its speed follows its drive
//	coast_mm_s2    = 1000            # how fast it slows down without power; 0: it stops dead
//	length_mm      = 120             # leading end to trailing end; each has pickups, and closes a gate
//	warm           = 0.0             # by how much of its speed a warm motor is faster than a cold one
//	scatter_mm     = 0               # standard deviation of where it stops in a section
//	scatter_speed  = 0.0             # likewise of its speed at the same step, relative
//	contact_faults = 0.0             # chance that it stops on dirt in the section, lights off, or finds the section late, in one run
//	seed           = 1               # of that scatter and chance
//	[braking]                        # what it does about an asymmetric signal; without it nothing
//	pattern = "late"                 # over a constant distance "even", "late" or "creep"; or "deceleration" (constant), "time" (constant),
//	                                 # "fading" (a force that falls off with speed), "stop_below" (an emergency stop, or nothing), "none"
//	senses  = "travel"               # the rails on the sides of its "travel" or of the "vehicle", "either", or "nothing". Bit 0 of register 27
//	                                 # is for the right one, bit 1 for the left; where neither can be set it is the right one
//	register    = 117                # of even, late and creep: it sets the distance
//	mm_per_unit = 8                  # by so much each unit
//	resolution  = 1                  # only each such value counts
//	offset_mm   = 0                  # and this is added; without a register it is the distance
//	deceleration_mm_s2 = 110         # of late, creep and deceleration; of fading, at at_mm_s
//	creep_mm_s  = 25                 # of creep, the speed at which it creeps
//	seconds     = 4.0                # of time, from the trigger to standstill
//	at_mm_s     = 240                # of fading
//	exponent    = 2.7                # of fading: its distance goes with speed to this power
//	below_mm_s  = 80                 # of stop_below
//
// The values above are the defaults, where there are any. Figures are invented except those that S-9.2.3 gives.
package bench
