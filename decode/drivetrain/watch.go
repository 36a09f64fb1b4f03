package drivetrain

import (
	"math"
	"math/bits"

	"gearwitness/capture"
	"gearwitness/decode"
)

// watch looks after the shaft-speed sensors: which of them read 0 while their
// shaft must turn, and which are silent. A reading that cannot be true is left
// out, so that it makes neither a gear nor a slip.
type watch struct {
	dead   uint64          // sensors left out although they send
	guess  uint64          // of them: because another explanation is less likely, not because it is excluded
	proven uint64          // guesses that the sensor itself has just proved right
	doubt  [maxSensors]int // ticks in which a reading of 0 is the only thing that stands against a gear
	state  [maxSensors]sensorState
	heard  [maxSensors]capture.Stamp // last tick with a reading

	zeros   [maxSensors]int     // how often a sensor read 0 while its shaft turned
	shown   [maxSensors]int     // ticks in which the others showed a gear in which it turns
	silent  [maxSensors]int     // how often it had no value while others had
	wrong   uint64              // the sensor whose readings are too low or too high by one part
	wrongAt capture.Stamp       // when that was found out
	factor  [maxSensors]float64 // what it reads over what it should

	roadFactor float64 // output rpm per km/h, NaN until learned
}

type sensorState uint8

const (
	sensorSound  sensorState = iota
	sensorZero               // reads 0 while its shaft turns
	sensorSilent             // says nothing, or "not available"
)

// findings by state.
var findings = [...]string{sensorSound: "counts again", sensorZero: "reads 0 while its shaft turns", sensorSilent: "no value"}

func sensorFinding(state sensorState, c *channel) string {
	if state == sensorSilent && c.outside {
		return "outside its range"
	}
	return findings[state]
}

const (
	doubtTicks     = 30                // 0.3 s: longer than speeds of two gears agree by accident in a shift
	doubtStanding  = 100               // 1 s: where the alternative is that the vehicle stands
	silentLong     = 500 * millisecond // from which silence speaks against a sensor
	zeroAfter      = 50 * millisecond  // shorter ones may be a shaft that changes its sense
	silentAfter    = 100 * millisecond // beyond what the loss of a few messages explains
	crawlingKmh    = 0.5
	mustTurnRPM    = 100
	roadLearnRPM   = 300 // output speed from which the road speed's factor is learned
	roadLearnShare = 0.01
)

func newWatch(m *model) watch { return watch{roadFactor: unknown} }

// SensorEvent tells that a speed sensor was left out of the analysis, or that it
// counts again.
type SensorEvent struct {
	Signal  string `json:"signal"`
	Finding string `json:"finding"` // "reads 0 while its shaft turns", "no value", "counts again"
	// Bridged tells that the gear could be told without it.
	Bridged bool `json:"bridged"`
	// Percent is by how much it reads wrong, Since when that began.
	Percent *float64        `json:"percent,omitempty"`
	Since   *decode.Seconds `json:"since_s,omitempty"`
	// Gear is the gear the other sensors show.
	Gear string `json:"gear,omitempty"`
}

// KindSensor is the event of a sensor that is left out or counts again.
const KindSensor = "sensor"

// leaveOut takes the sensors that were found dead out of the tick.
func (w *watch) leaveOut(a *Analyzer) {
	n, m := &a.now, a.model
	for s := range m.sensors {
		if a.channels[m.sensors[s].channel].lost {
			w.dead &^= 1 << s // its readings no longer arrive
		}
		if bit := uint64(1) << s; w.dead&bit != 0 && n.have&bit != 0 && math.Abs(n.readings[s]) >= zeroRPM {
			w.dead &^= bit
			if w.guess&bit != 0 && math.Abs(n.readings[s]) >= max(mustTurnRPM, 2*fastestStop*float64(a.channels[m.sensors[s].channel].period)) {
				w.proven |= bit // no shaft starts from 0 at once
			}
		}
	}
	w.guess &= w.dead
	for set := w.wrong & n.have; set != 0; set &= set - 1 {
		s := bits.TrailingZeros64(set)
		n.readings[s] /= w.factor[s]
	}
	n.have &^= w.dead
	w.fromStandstill(a)
	w.duringShift(a)
}

// fromStandstill finds a sensor that stays at 0 although its shaft must have
// begun to turn: the others show the gear asked for.
func (w *watch) fromStandstill(a *Analyzer) {
	n, m := &a.now, a.model
	if n.command < 0 || n.have != 1<<len(m.sensors)-1 || len(m.sensors) < 3 {
		return
	}
	g := &m.gears[n.command]
	for s := range m.sensors {
		if math.Abs(n.readings[s]) >= zeroRPM || !(math.Abs(g.speed[s]) > 0) {
			continue
		}
		others := n.have &^ (1 << s)
		if g.alike>>s&1 != 0 {
			continue // or a carrying element slips
		}
		score, in := m.fit(g, &n.readings, others)
		if limit := bridgeRPM + g.spread; score*g.allowed(in) <= limit && math.Abs(in) > 2*limit && math.Abs(g.speed[s]*in) > limit {
			w.dead, w.guess = w.dead|1<<s, w.guess|1<<s
			n.have = others
			return
		}
	}
}

// duringShift finds a sensor that stays at 0 although a shift is under way in
// which its shaft must begin to turn: an element that both gears need would
// have to slip for it, and does not if that sensor is left out.
func (w *watch) duringShift(a *Analyzer) {
	n, m, from, to := &a.now, a.model, a.shift.from, a.now.command
	if m.train == nil || from < 0 || to < 0 || from == to || n.have != 1<<len(m.sensors)-1 {
		return
	}
	shared := m.gears[from].mask & m.gears[to].mask
	if shared == 0 {
		return
	}
	for s := range m.sensors {
		if math.Abs(n.readings[s]) >= zeroRPM || m.gears[from].speed[s] != 0 || !(math.Abs(m.gears[to].speed[s]) > 0) {
			continue
		}
		est := m.estimator(0, n.have)
		if est == nil {
			return
		}
		var buf [maxSensors]float64
		var slips [64]float64
		est.Slips(pick(n.have, &n.readings, &buf), slips[:len(m.elements)])
		for set := shared; set != 0; set &= set - 1 {
			if e := bits.TrailingZeros64(set); math.Abs(slips[e]) > bridgeRPM+m.gears[from].spread {
				w.dead, w.guess = w.dead|1<<s, w.guess|1<<s
				n.have &^= 1 << s
				return
			}
		}
	}
}

// check follows the sensors after a tick has been judged.
func (w *watch) check(a *Analyzer, out *decode.Output) {
	n, m, k := &a.now, a.model, &a.matcher
	output := n.out
	if !known(output) && n.engaged && k.alike == 1 {
		output = n.in / m.gears[n.gear].ratio
	}
	if n.engaged && known(n.road) && math.Abs(output) > roadLearnRPM && n.road > 10 {
		f := math.Abs(output) / n.road
		if !known(w.roadFactor) {
			w.roadFactor = f
		}
		w.roadFactor += float64(roadLearnShare * (f - w.roadFactor))
	}
	for s := range m.sensors {
		c := &a.channels[m.sensors[s].channel]
		bit := uint64(1) << s
		if w.proven&bit != 0 {
			w.proven &^= bit
			w.zeros[s]++
			out.Events = append(out.Events, decode.Event{Time: n.at, Kind: KindSensor, Fields: SensorEvent{
				Signal: m.sensors[s].name, Finding: "read 0 until now while its shaft turned", Bridged: true,
			}})
		}
		have := n.sent&bit != 0
		switch {
		case c.lost:
			w.judgeZero(a, s, c)
		case have && w.dead&bit == 0 && math.Abs(n.readings[s]) < zeroRPM && !n.engaged:
			w.suspectZero(a, s)
		case w.guess&bit != 0 && n.engaged:
			w.confirm(a, s)
		default:
			w.doubt[s] = 0
		}
		if have {
			w.heard[s] = n.at
		} else if w.heard[s] == 0 {
			w.heard[s] = n.at // from the first tick on
		}
		state := sensorSound
		switch {
		case c.lost && n.at-c.lostAt >= zeroAfter || w.dead&^w.guess&bit != 0:
			state = sensorZero
		case c.lost:
			state = w.state[s]
		case !have && (w.state[s] == sensorSilent || n.at-w.heard[s] >= silentAfter):
			state = sensorSilent
		case !have:
			state = w.state[s]
		}
		if state == sensorZero && n.engaged && m.turns(n.gear, s, n) {
			w.shown[s]++
		}
		if state == sensorSilent && n.sent != 0 && !c.outside && !c.absent(n.at) && n.at-w.heard[s] == silentLong {
			w.silent[s]++
		}
		if state == w.state[s] {
			continue
		}
		w.state[s] = state
		if state == sensorZero {
			w.zeros[s]++
		}
		e := SensorEvent{Signal: m.sensors[s].name, Finding: sensorFinding(state, c), Bridged: n.engaged && k.bridged}
		if n.engaged {
			e.Gear = m.gears[n.gear].name
		}
		out.Events = append(out.Events, decode.Event{Time: n.at, Kind: KindSensor, Fields: e})
	}
}

// judgeZero takes the doubt in a sensor that fell to 0 at once back where the
// others show that its shaft does stand still, or nothing shows that it turns.
func (w *watch) judgeZero(a *Analyzer, s int, c *channel) {
	n, m := &a.now, a.model
	switch {
	case n.at < c.lostAt:
		return // ticks before the fall
	case n.engaged:
		if known(m.gears[n.gear].speed[s]) && !m.turns(n.gear, s, n) {
			w.trust(s, c, n.at)
		}
		return
	case n.gear == standing && s != m.output && !n.lever.parked():
		w.trust(s, c, n.at) // a gear that engages stops its shaft, and may slip
		return
	case s == m.output && known(n.road):
		if f := w.roadFactor; known(f) && n.road*f < turningRPM || !known(f) && n.road < crawlingKmh {
			w.trust(s, c, n.at)
		}
		return
	}
	for i := range m.sensors {
		if i != s && n.have>>i&1 != 0 && math.Abs(n.readings[i]) >= mustTurnRPM {
			return
		}
	}
	if n.at-c.lostAt > second {
		w.trust(s, c, n.at)
	}
}

// turns tells that the shaft of a sensor turns in a gear, as the other sensors show.
func (m *model) turns(gear, s int, n *instant) bool {
	g := &m.gears[gear]
	_, in := m.fit(g, &n.readings, n.have)
	return math.Abs(g.speed[s]*in) >= turningRPM
}

// trust takes back that a sensor was left out: its shaft does stand still.
func (w *watch) trust(s int, c *channel, now capture.Stamp) {
	c.trust()
	w.heard[s] = now // what was thrown away was no silence
	if w.state[s] == sensorZero && w.zeros[s] > 0 {
		w.zeros[s]--
	}
}

// confirm turns a guess into a finding once the others have shown a gear long
// enough in which the shaft turns and no slip explains the 0.
func (w *watch) confirm(a *Analyzer, s int) {
	g := &a.model.gears[a.now.gear]
	if _, in := a.model.fit(g, &a.now.readings, a.now.have); g.alike>>s&1 != 0 || !(math.Abs(g.speed[s]*in) >= mustTurnRPM) {
		return
	}
	if w.doubt[s]++; w.doubt[s] >= doubtTicks {
		w.doubt[s] = 0
		w.guess &^= 1 << s
	}
}

// suspectZero counts how long leaving out a sensor that reads 0 would show a
// gear in which its shaft turns; long enough, and the sensor is left out. It
// finds a sensor that was dead from the beginning.
func (w *watch) suspectZero(a *Analyzer, s int) {
	n, m, k := &a.now, a.model, &a.matcher
	have := n.have &^ (1 << s)
	limit := doubtTicks
	moving := known(n.road) && n.road >= 2*standingKmh
	if n.gear == standing {
		if s != m.output || n.lever.parked() || (!moving && (known(n.road) || n.lever == leverUnknown)) {
			w.doubt[s] = 0
			return
		}
		limit = doubtStanding
	}
	fits := 0
	for g := range m.gears {
		c := m.gears[g].speed[s]
		if n.command >= 0 && (g != n.command || m.gears[n.command].speed[s] == 0) {
			continue // the gear asked for explains the 0, or an element of it that slips
		}
		if !known(c) || c == 0 || !k.possible(n, m, g) || m.gears[g].alike>>s&1 != 0 && !moving {
			continue
		}
		if score, in := m.fit(&m.gears[g], &n.readings, have); score*m.gears[g].allowed(in) <= bridgeRPM+m.gears[g].spread && math.Abs(c*in) >= turningRPM && in >= 2*mustTurnRPM {
			fits++
		}
	}
	if fits == 0 && !(s == m.output && moving && bits.OnesCount64(have) < 2) {
		w.doubt[s] = 0
		return
	}
	if w.doubt[s]++; w.doubt[s] >= limit {
		w.doubt[s] = 0
		w.dead |= 1 << s
	}
}

// outputFromRoad is the output speed that goes with a road speed, without sign;
// NaN until the factor is known.
func (w *watch) outputFromRoad(kmh float64) float64 { return kmh * w.roadFactor }
