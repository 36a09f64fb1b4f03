package compare

import (
	"gearwitness/decode/compare/stats"
	"math"
)

const (
	overlayStep   = 0.01
	overlayBefore = 0.2
	overlayAfter  = 0.3
)

// Overlay is the progress of the like shifts of both sessions over the time from
// their start.
type Overlay struct {
	T     []float64 `json:"t_s"`
	Bands [2]Band   `json:"bands"`
}

// Band is the median and the quartiles of several curves; a value is null where
// fewer than half of them are known.
type Band struct {
	N      int        `json:"n"`
	Median []*float64 `json:"median"`
	Low    []*float64 `json:"low"`
	High   []*float64 `json:"high"`
}

func overlay(lists [2][]*Shift) Overlay {
	o := Overlay{T: []float64{}}
	end := 0.0
	for i, l := range lists {
		o.Bands[i] = Band{Median: []*float64{}, Low: []*float64{}, High: []*float64{}}
		for _, s := range l {
			if len(s.Curve) > 0 {
				o.Bands[i].N++
				if s.Duration != nil {
					end = max(end, float64(*s.Duration)/1e9)
				}
			}
		}
	}
	if o.Bands[0].N+o.Bands[1].N == 0 {
		return o
	}
	end = min(end, 3) + overlayAfter
	for k := -int(math.Round(overlayBefore / overlayStep)); float64(k)*overlayStep <= end+1e-9; k++ {
		t := float64(k) / math.Round(1/overlayStep)
		o.T = append(o.T, t)
		for i, l := range lists {
			o.Bands[i].add(l, t)
		}
	}
	return o
}

func (b *Band) add(list []*Shift, t float64) {
	var v []float64
	for _, s := range list {
		if p, ok := s.Curve.at(t); ok {
			v = append(v, p)
		}
	}
	if len(v) == 0 || 2*len(v) < b.N {
		b.Median, b.Low, b.High = append(b.Median, nil), append(b.Low, nil), append(b.High, nil)
		return
	}
	milli := func(x float64) *float64 { x = math.Round(x*1000) / 1000; return &x }
	b.Median, b.Low, b.High = append(b.Median, milli(stats.Median(v))), append(b.Low, milli(stats.Quantile(v, 0.25))), append(b.High, milli(stats.Quantile(v, 0.75)))
}
