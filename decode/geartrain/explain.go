package geartrain

// CauseKind tells a wrong reading from a slipping element.
type CauseKind uint8

// Kinds of causes.
const (
	SensorWrong CauseKind = iota
	ElementSlips
)

// Cause is one single explanation of a residual. Index is the sensor's position
// in the list given, or the element.
type Cause struct {
	Kind  CauseKind
	Index int
}

// Fit is how well one cause explains a set of readings.
type Fit struct {
	Cause int // position in Explainer.Causes, or -1: nothing is wrong
	// ChiSquared is what remains of the residual with this cause allowed for.
	ChiSquared float64
	// SizeRPM is the fitted error of the sensor (reading - truth) or the fitted
	// slip of the element.
	SizeRPM float64
	// InputRPM is the input speed under this cause; NaN if not determined.
	InputRPM float64
}

// Explainer finds which single cause, a sensor that reads wrong or one of the
// holding elements that slips, fits the readings in a gear best.
type Explainer struct{}

// NewExplainer precomputes the direction in which each cause moves the residual.
func NewExplainer(t *Train, sensors []Sensor, holding []int) (*Explainer, error) { return nil, nil }

// Causes lists all single causes: the sensors in order, then the holding
// elements in order. The slice belongs to the explainer.
func (x *Explainer) Causes() []Cause { return nil }

// Pattern is the residual [rpm per rpm] that cause i leaves on each sensor.
func (x *Explainer) Pattern(i int) []float64 { return nil }

// Visible tells whether cause i leaves any residual at all.
func (x *Explainer) Visible(i int) bool { return false }

// Alike lists the groups of two or more causes that no reading in this gear can
// tell apart, as positions in Causes. Decided exactly.
func (x *Explainer) Alike() [][]int { return nil }

// Group returns the causes that look like cause i, itself included.
func (x *Explainer) Group(i int) []int { return nil }

// AngleDeg is the angle between the directions of two visible causes [degrees,
// 0 to 90], in units of the sensors' standard deviations: 0 looks the same, 90
// cannot be confused.
func (x *Explainer) AngleDeg(i, j int) float64 { return 0 }

// Explain appends to out one Fit per visible cause, best first, then the fit of
// nothing being wrong, and returns it. It does not allocate if out has room for
// len(Causes)+1.
func (x *Explainer) Explain(m []float64, out []Fit) []Fit { return nil }
