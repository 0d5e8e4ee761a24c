// Package trial finds out whether a vehicle stops where a red signal needs it to stop: from every speed, either end leading, every time.
//
// A [Trial] says what is wanted and which runs are to be made; [Trial.Plan] puts them in random order; [Drive] makes them on a station, or
// a person makes them, and [ReadRuns] reads what became of them. [Judge] says what the runs show: which side of the track the
// decoder senses, how the stop depends on speed, how it brakes, how far stops scatter, and so whether it is fit. [TuneDistance],
// [TuneSpeed] and [TuneMomentum] work out what to write into which register. The statistics are those of package stat.
package trial
