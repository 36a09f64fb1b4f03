package geartrain

// Matrix is a dense matrix in row order.
type Matrix struct {
	Rows, Cols int
	Data       []float64
}

// At returns the entry in row i, column j.
func (m *Matrix) At(i, j int) float64 { return m.Data[i*m.Cols+j] }

// Row returns row i; it aliases the matrix.
func (m *Matrix) Row(i int) []float64 { return m.Data[i*m.Cols : (i+1)*m.Cols] }

// Mul sets out = M x. The lengths of x and out are Cols and Rows.
func (m *Matrix) Mul(x, out []float64) {
	for i := range out[:m.Rows] {
		var sum float64
		for j, v := range m.Data[i*m.Cols : (i+1)*m.Cols] {
			sum += v * x[j]
		}
		out[i] = sum
	}
}

// Basis is a null-space basis: all shaft speeds n = N q. q[j] is the speed of
// shaft Shafts[j]; input and output are among them wherever the train leaves
// them free.
type Basis struct {
	Matrix
	Shafts []int
}

// NullBasis gives the motions that the gear rows and the rows of the holding
// elements (one-way clutches included) allow; nil holding for the open train.
func (t *Train) NullBasis(holding []int) Basis { return Basis{} }

// SetRow returns the row of planetary set s over the shafts, for a matrix of
// motion or, times the set's one unknown, its torques on the shafts.
func (t *Train) SetRow(s int) []float64 { return nil }

// ElementRow returns the row of element e over the shafts: slip = row * n, torque
// on the shafts = row * (torque on its first shaft).
func (t *Train) ElementRow(e int) []float64 { return nil }

// Sensor is one speed reading with its variance [rpm^2]. A resolution step D
// counts as D^2/12 (a uniform distribution; JCGM 100:2008, 4.3.7).
type Sensor struct {
	Shaft        int
	VarianceRPM2 float64
}

// Estimator computes every shaft speed and slip that follows from a fixed set of
// sensors while a fixed set of elements is assumed to hold, by weighted least
// squares with the gear rows as exact constraints. All matrices are computed
// once; every call is a matrix product without allocation.
type Estimator struct{}

// NewEstimator precomputes an estimator; m in its methods are the sensors'
// readings [rpm] in the order given here. holding nil assumes nothing.
func NewEstimator(t *Train, sensors []Sensor, holding []int) (*Estimator, error) { return nil, nil }

// Speeds sets out[shaft] [rpm]; NaN where the sensors do not determine it.
func (e *Estimator) Speeds(m, out []float64) {}

// Slips sets out[element] [rpm]; NaN where the sensors do not determine it, 0
// for an element assumed to hold.
func (e *Estimator) Slips(m, out []float64) {}

// Residual sets out[sensor] = reading - estimate [rpm].
func (e *Estimator) Residual(m, out []float64) {}

// ChiSquared is the sum of residual^2 / variance; with nothing wrong it follows
// the chi-squared distribution with Spare degrees of freedom.
func (e *Estimator) ChiSquared(m []float64) float64 { return 0 }

// Determined tells for each shaft whether its speed follows from the sensors.
// The slice belongs to the estimator, as do those of the next three methods.
func (e *Estimator) Determined() []bool { return nil }

// DeterminedSlip tells for each element whether its slip follows.
func (e *Estimator) DeterminedSlip() []bool { return nil }

// SpeedSigma is the standard deviation of each shaft speed [rpm], NaN where not
// determined.
func (e *Estimator) SpeedSigma() []float64 { return nil }

// SlipSigma is the standard deviation of each slip [rpm], NaN where not
// determined, 0 for an element assumed to hold.
func (e *Estimator) SlipSigma() []float64 { return nil }

// Spare is the number of sensors beyond those needed: sensors - rank.
func (e *Estimator) Spare() int { return 0 }
