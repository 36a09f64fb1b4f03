package van

import (
	"math"
	"math/rand/v2"
)

// Drive is a kind of road and the way the van is driven on it.
type Drive struct {
	Name string
	Text string // one line for people
	plan func(*planner)
}

// act is what the driver does in one manoeuvre.
type deed uint8

const (
	move  deed = iota // move the lever, foot on the brake
	pull              // constant pedal up to a speed
	keep              // hold a speed
	coast             // no pedal down to a speed
	slow              // brake down to a speed
	stop              // brake to a standstill and wait there
	stall             // foot brake held, full pedal
	back              // reverse with a light foot
)

// manoeuvre is one step of a drive.
type manoeuvre struct {
	deed  deed
	lever byte
	pedal float64 // 0..1
	speed float64 // [m/s]
	rate  float64 // braking [m/s2]
	time  float64 // how long, or at most [s]
	grade float64 // slope, 0.05 = 5 %
}

// planner collects manoeuvres; a plan is called again whenever all are done.
type planner struct {
	rng    *rand.Rand
	steps  []manoeuvre
	rounds int
}

func (p *planner) add(m manoeuvre)                { p.steps = append(p.steps, m) }
func (p *planner) pick(low, high float64) float64 { return low + float64((high-low)*p.rng.Float64()) }

const kmh = 1 / 3.6

// start wakes the van and goes through the lever: P, R, N, D.
func (p *planner) start() {
	p.add(manoeuvre{deed: stop, time: 3})
	p.add(manoeuvre{deed: move, lever: 'R', time: 3})
	p.add(manoeuvre{deed: back, pedal: 0.06, speed: 7 * kmh, time: 4})
	p.add(manoeuvre{deed: stop, rate: 1.2, time: 1.5})
	p.add(manoeuvre{deed: move, lever: 'N', time: 3})
	p.add(manoeuvre{deed: move, lever: 'D', time: 2.5})
}

// cycle pulls away, to a speed, and comes back.
func (p *planner) cycle(pedal, speed, keepFor, grade float64) {
	p.add(manoeuvre{deed: pull, pedal: pedal, speed: speed, time: 60, grade: grade})
	if keepFor > 0 {
		p.add(manoeuvre{deed: keep, speed: speed, time: keepFor, grade: grade})
	}
}

var drives = []Drive{
	{"varied", "all gears up and down, kick-down, coasting, stops, converter lock-up, hills", func(p *planner) {
		if p.rounds == 0 {
			p.start()
		}
		p.cycle(p.pick(0.15, 0.30), p.pick(75, 90)*kmh, p.pick(6, 12), 0)
		p.add(manoeuvre{deed: coast, speed: p.pick(45, 55) * kmh, time: 25})
		p.add(manoeuvre{deed: pull, pedal: 1, speed: p.pick(80, 95) * kmh, time: 20}) // kick-down
		p.add(manoeuvre{deed: keep, speed: p.pick(85, 100) * kmh, time: p.pick(5, 12)})
		p.add(manoeuvre{deed: slow, rate: p.pick(1, 1.8), speed: p.pick(20, 30) * kmh, time: 30})
		p.cycle(p.pick(0.35, 0.55), p.pick(60, 70)*kmh, p.pick(3, 6), p.pick(-0.01, 0.04))
		p.add(manoeuvre{deed: stop, rate: p.pick(1.2, 2.2), time: p.pick(3, 6)})
		p.cycle(p.pick(0.12, 0.16), p.pick(72, 80)*kmh, p.pick(4, 8), 0)
		p.add(manoeuvre{deed: coast, speed: p.pick(8, 25) * kmh, time: 60})
		p.add(manoeuvre{deed: stop, rate: p.pick(0.8, 1.5), time: p.pick(2, 5)})
		p.cycle(p.pick(0.7, 0.95), p.pick(85, 105)*kmh, p.pick(3, 8), 0)
		p.add(manoeuvre{deed: slow, rate: p.pick(1.5, 2.5), speed: p.pick(35, 45) * kmh, time: 30})
		p.add(manoeuvre{deed: keep, speed: p.pick(45, 55) * kmh, time: p.pick(5, 10)})
		p.add(manoeuvre{deed: stop, rate: p.pick(1, 1.8), time: 3})
	}},
	{"town", "stop and go between 20 and 60 km/h", func(p *planner) {
		if p.rounds == 0 {
			p.start()
		}
		v := p.pick(20, 58) * kmh
		p.cycle(p.pick(0.12, 0.45), v, p.pick(2, 14), 0)
		if p.rng.IntN(3) == 0 {
			p.add(manoeuvre{deed: coast, speed: p.pick(12, 30) * kmh, time: 15})
			p.cycle(p.pick(0.2, 0.6), p.pick(35, 58)*kmh, p.pick(2, 8), 0)
		}
		p.add(manoeuvre{deed: stop, rate: p.pick(0.9, 2.4), time: p.pick(2, 15)})
	}},
	{"highway", "up to 120 km/h, overtaking with kick-down, long locked stretches", func(p *planner) {
		if p.rounds == 0 {
			p.start()
			p.cycle(p.pick(0.4, 0.6), 95*kmh, 10, 0)
		}
		v := float64(p.pick(85, 110) * kmh)
		p.add(manoeuvre{deed: keep, speed: v, time: p.pick(20, 60), grade: p.pick(-0.02, 0.02)})
		p.add(manoeuvre{deed: slow, rate: 0.8, speed: v - float64(20*kmh), time: 20})
		p.add(manoeuvre{deed: pull, pedal: p.pick(0.85, 1), speed: v + float64(10*kmh), time: 30})
	}},
	{"hills", "up and down slopes of up to 10 %", func(p *planner) {
		if p.rounds == 0 {
			p.start()
		}
		g := p.pick(0.03, 0.10)
		p.cycle(p.pick(0.4, 0.8), p.pick(40, 65)*kmh, p.pick(15, 40), g)
		p.add(manoeuvre{deed: keep, speed: p.pick(40, 65) * kmh, time: p.pick(10, 30), grade: -g})
		p.add(manoeuvre{deed: slow, rate: p.pick(0.8, 1.5), speed: p.pick(15, 25) * kmh, time: 25})
		if p.rng.IntN(2) == 0 {
			p.add(manoeuvre{deed: stop, rate: 1.2, time: p.pick(2, 6)})
		}
	}},
	{"relearn", "full upshift sequences at 12.5 % pedal on a road that falls by 1.5 %, coasting down between them", func(p *planner) {
		if p.rounds == 0 {
			p.start()
		}
		p.add(manoeuvre{deed: pull, pedal: p.pick(0.12, 0.13), speed: 76 * kmh, time: 120, grade: -0.015})
		p.add(manoeuvre{deed: coast, speed: 65 * kmh, time: 40})
		p.add(manoeuvre{deed: stop, rate: 0.9, time: 4})
	}},
	{"shifts", "one shift after the other at random pedals: the most shifts in the shortest time", func(p *planner) {
		if p.rounds == 0 {
			p.start()
		}
		p.add(manoeuvre{deed: pull, pedal: p.pick(0.15, 0.90), speed: p.pick(72, 95) * kmh, time: 60})
		if p.rng.IntN(3) == 0 {
			p.add(manoeuvre{deed: pull, pedal: 0.10, speed: 100 * kmh, time: 2.5})
		}
		if p.rng.IntN(4) == 0 {
			p.add(manoeuvre{deed: slow, rate: p.pick(1, 2), speed: p.pick(30, 45) * kmh, time: 20})
			p.add(manoeuvre{deed: pull, pedal: p.pick(0.7, 1), speed: p.pick(70, 95) * kmh, time: 30})
		}
		if p.rng.IntN(2) == 0 {
			p.add(manoeuvre{deed: slow, rate: p.pick(1.0, 2.0), speed: p.pick(8, 25) * kmh, time: 40})
		} else {
			p.add(manoeuvre{deed: stop, rate: p.pick(1.2, 2.2), time: 1})
		}
	}},
	{"engagements", "the lever between N, D and R at a standstill", func(p *planner) {
		if p.rounds == 0 {
			p.add(manoeuvre{deed: stop, time: 3})
		}
		for _, to := range "NDNR" {
			p.add(manoeuvre{deed: move, lever: byte(to), time: 4})
		}
	}},
	{"stall", "stall tests of 4 s in D, a minute and a half in N between them", func(p *planner) {
		if p.rounds == 0 {
			p.add(manoeuvre{deed: stop, time: 3})
		}
		p.add(manoeuvre{deed: move, lever: 'D', time: 4})
		p.add(manoeuvre{deed: stall, pedal: 1, time: 4})
		p.add(manoeuvre{deed: move, lever: 'N', time: 90})
	}},
	{"lock-up", "steady speeds at light pedal, lock-up on and off", func(p *planner) {
		if p.rounds == 0 {
			p.start()
		}
		p.cycle(p.pick(0.18, 0.3), p.pick(55, 90)*kmh, p.pick(15, 30), 0)
		p.add(manoeuvre{deed: slow, rate: 0.8, speed: p.pick(25, 35) * kmh, time: 25})
	}},
	{"coast-down", "from 90 km/h down to walking pace without pedal or brake", func(p *planner) {
		if p.rounds == 0 {
			p.start()
		}
		p.cycle(p.pick(0.3, 0.5), 90*kmh, 5, 0)
		p.add(manoeuvre{deed: coast, speed: 10 * kmh, time: 150})
	}},
}

// Drives lists the drives, the default first.
func Drives() []Drive { return append([]Drive(nil), drives...) }

func driveByName(name string) *Drive {
	for i := range drives {
		if drives[i].Name == name {
			return &drives[i]
		}
	}
	return nil
}

func driveNames() []string {
	names := make([]string, len(drives))
	for i := range drives {
		names[i] = drives[i].Name
	}
	return names
}

// driver follows the plan with a foot that takes time.
type driver struct {
	plan  func(*planner)
	p     planner
	next  int
	cur   manoeuvre
	t     float64 // in the manoeuvre [s]
	still float64 // standing still [s]

	pedal, brake   float64 // 0..1
	sum            float64 // integral of the speed follower
	lever          int     // position in leverOrder
	towards        int
	moving         float64 // time in the present position [s]
	contactChanged float64 // time since the lever left its last position [s]
}

const leverOrder = "PRND"

func (d *driver) advance() {
	if d.next >= len(d.p.steps) {
		d.p.steps, d.next = d.p.steps[:0], 0
		d.plan(&d.p)
		d.p.rounds++
	}
	d.cur = d.p.steps[d.next]
	d.next++
	d.t, d.still = 0, 0
	if d.cur.deed == move {
		for i := range len(leverOrder) {
			if leverOrder[i] == d.cur.lever {
				d.towards = i
			}
		}
	}
}

// step moves feet and hand; v is the speed over ground [m/s], needed the force
// at the wheels that keeps it [N].
func (d *driver) step(dt, v, needed float64) {
	d.t += dt
	pedal, brake := 0.0, 0.0
	done := d.t > d.cur.time
	switch d.cur.deed {
	case pull:
		pedal = d.cur.pedal
		done = done || v >= d.cur.speed
	case back:
		pedal = d.cur.pedal
		done = done || -v >= d.cur.speed
	case keep:
		e := d.cur.speed - v
		d.sum = math.Max(-0.3, math.Min(0.5, d.sum+float64(0.02*e*dt)))
		u := float64(needed*math.Max(v, 2)/105e3*0.9) + float64(0.09*e) + d.sum
		pedal = math.Max(0, math.Min(0.8, u))
		brake = math.Max(0, math.Min(0.3, -0.6*(u+0.12)))
	case coast:
		done = done || v <= d.cur.speed
	case slow, stop, move, stall:
		rate := d.cur.rate
		if rate == 0 {
			rate = 1.5
		}
		brake = rate / 9
		if d.cur.deed == slow {
			done = done || v <= d.cur.speed
			break
		}
		if math.Abs(v) < 1.5 {
			brake = 0.15 + math.Max(0, -d.cur.grade) // gently, but against the creeping gearbox
		}
		if math.Abs(v) < 0.02 {
			d.still += dt
			brake = 0.35
		}
		if d.cur.deed == stall {
			brake, pedal = 1, 0
			if d.t > 0.5 && d.t < d.cur.time+0.5 {
				pedal = d.cur.pedal
			}
			done = d.t > d.cur.time+2 // the pedal first, then the brake
		} else {
			done = d.still > d.cur.time
		}
	}
	if d.cur.deed != keep {
		d.sum = 0
	}
	// A foot needs time: 0.15 s to move, 2.5 pedals a second at most.
	d.pedal += math.Max(-4*dt, math.Min(2.5*dt, (pedal-d.pedal)*dt/0.12))
	if pedal == 0 && d.pedal < 0.004 {
		d.pedal = 0
	}
	if d.pedal > 0.02 && v > 0.5 {
		brake = 0 // one foot for both
	}
	d.brake += math.Max(-3*dt, math.Min(1.5*dt, (brake-d.brake)*dt/0.1))
	if brake == 0 && d.brake < 0.004 {
		d.brake = 0
	}
	// The hand: 0.22 s from one position to the next, foot on the brake.
	d.moving += dt
	d.contactChanged += dt
	if d.lever != d.towards && d.moving > 0.22 && d.brake > 0.05 && d.t > 0.6 {
		if d.lever < d.towards {
			d.lever++
		} else {
			d.lever--
		}
		d.moving, d.contactChanged = 0, 0
	}
	if done && (d.cur.deed != move || d.lever == d.towards) {
		d.advance()
	}
}
