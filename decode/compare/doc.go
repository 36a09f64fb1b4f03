// Package compare answers what somebody asks on the day the car comes back: is it
// still like then, and if not, where?
//
// A Collector makes a Record of a session in one pass over what the pipeline gives
// out, in bounded memory. It is kept as JSON in a sealed session, with a version, and
// that of the version before is read still. Compare puts two records side by side;
// Trace follows the figures of shifts over many.
//
//	c, err := compare.NewCollector(file, chain.Table())
//	c.Take(&out) // for every step of the pipeline
//	then := c.Finish()
//	fmt.Println(compare.Compare(then, now).Said)
//
// # What is compared
//
//	source                                  like is                        file
//	shifts: flare, delay, duration,         gears and load; pedal, torque  shifts.go
//	  bind-up, overshoot                    and oil temperature
//	shifts that did not come, were not      gears                          found.go
//	  asked for, did not hold
//	slip of each element while it carries   gear and class of torque       carry.go
//	converter clutch: slip, swing, times    gear; torque                   moments.go
//	engagements, stall tests                range; oil temperature         collect.go
//	pressure switches: time to follow       gears asked for                moments.go
//	engine, converter, pressures, oil and   means of 2 s: gear, pedal,     moments.go
//	  coolant temperatures                  speeds, torque, temperature
//	suspects, sensors, fault memories,      they are there or not          found.go
//	  bench readings, procedures, alarms
//
// # How it is judged
//
// Every figure has a smallest difference that matters, with its reason, which a
// vehicle file may replace, and what like values of a sound gearbox differ by. The
// difference is estimated like for like (see figure.fit) and gets one of four answers:
//
//	clearly different           that it is no more than what matters is unlikely, with
//	                            regard to all that was compared, and by ranks too
//	different but small         it is there, and shown to be less than what matters
//	alike within what matters   it is shown to be less than what matters
//	too few to tell             the rest, with how many more would tell
//
// So few shifts are no reason to be blind: four against five with 94 and 2 rpm of flare
// are as good as certain, because what matters is 25 rpm and like shifts differ by 3.
// And many figures are no reason for alarm: what is held in check is the share of false
// ones among those claimed (stats.Discoveries), first over the figures, then over the
// kinds of each. testdata/pairs.txt has what this comes to, measured.
//
// Changes are traced to a part as the analysis traces its suspects: by what the kinds
// that changed have in common and the others have not (see blame.go).
//
// All functions are the same on every run; a Collector belongs to one goroutine.
package compare
