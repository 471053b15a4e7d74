package grade

import (
	"fmt"
	"math"
)

// Part is a part of a mark: its points, of how many, and what took the rest.
type Part struct {
	Name   string  `json:"name"`
	Of     float64 `json:"of"`
	Points float64 `json:"points"`
	Lost   []Loss  `json:"lost"`
}

// Loss is what one fault cost. Fault counts the faults from 0; nil where no
// single fault is to blame.
type Loss struct {
	Fault  *int    `json:"fault"`
	Points float64 `json:"points"`
	Why    string  `json:"why"`
}

// The parts of a mark.
const (
	partComplete  = "completeness"
	partInvented  = "inventions"
	partAccuracy  = "accuracy"
	partDating    = "dating"
	partAbsent    = "absent rings and gaps"
	partHandingIn = "units and order"
)

// charge is what a fault costs, in faults of its part.
func (r Rubric) charge(f Fault) (part string, units float64) {
	end := float64(f.Rings) * (1 - r.PartialCredit.EndRing)
	switch f.Kind {
	case Missed:
		return partComplete, 1
	case Displaced:
		return partComplete, 1 - r.PartialCredit.Displaced
	case StartsLate, EndsEarly:
		return partComplete, end
	case Invented:
		return partInvented, 1
	case StartsEarly, EndsLate:
		return partInvented, end
	case Slip:
		if f.Caused {
			return partDating, 1 - r.PartialCredit.CausedSlip
		}
		return partDating, 1
	case AbsentMissed, AbsentInvented, GapMissed, GapInvented:
		return partAbsent, 1
	}
	return "", 0
}

// mark fills in a result's parts and mark from its faults. boundaries is how many
// the key has; errorPercent is the mean error of widths, nil where no ring can
// be compared.
func (r Rubric) mark(res *Result, boundaries int, errorPercent *float64, dated bool) {
	w, n := r.Weights, r.NothingLeft
	all := []struct {
		name         string
		weight, most float64 // most: faults that leave nothing
		judged       bool
	}{
		{partComplete, w.Completeness, n.MissedPercent / 100 * float64(boundaries), true},
		{partInvented, w.Inventions, n.InventedPercent / 100 * float64(boundaries), true},
		{partAccuracy, w.Accuracy, 0, errorPercent != nil},
		{partDating, w.Dating, n.Slips, dated},
		{partAbsent, w.Absent, n.Absent, true},
	}
	var sum float64
	for _, p := range all {
		if p.judged {
			sum += p.weight
		}
	}
	res.Parts = []Part{}
	var total float64
	for _, p := range all {
		if !p.judged || p.weight == 0 || sum == 0 {
			continue
		}
		part := Part{Name: p.name, Of: r.FullMark * p.weight / sum, Lost: []Loss{}}
		within := part.Of // to be lost by what is wrong with what was measured
		if p.name != partComplete {
			within -= part.unmeasured(r, res.Faults, boundaries-1)
		}
		if p.name == partAccuracy {
			part.inaccurate(*errorPercent, r.Accuracy, within)
		} else {
			part.faulty(r, res.Faults, p.most, within)
		}
		part.settle()
		total += part.Points
		res.Parts = append(res.Parts, part)
	}
	if off := r.pointsOff(res.Faults); len(off.Lost) > 0 {
		total += off.Points
		res.Parts = append(res.Parts, off)
	}
	res.Mark = round(max(0, total), 100)
}

// unmeasured takes off for rings that were left out at an end: where nothing was
// measured, nothing is earned by being accurate or by inventing nothing. It
// returns how much.
func (p *Part) unmeasured(r Rubric, faults []Fault, rings int) (sum float64) {
	for i, f := range faults {
		if f.Kind != StartsLate && f.Kind != EndsEarly {
			continue
		}
		lost := p.Of * float64(f.Rings) / float64(rings) * (1 - r.PartialCredit.Unmeasured)
		if lost > 0 {
			p.Lost = append(p.Lost, Loss{&i, lost, string(f.Kind) + ": nothing is earned where nothing was measured"})
		}
		sum += lost
	}
	return sum
}

// faulty takes off for each fault of the part, all together no more than within.
func (p *Part) faulty(r Rubric, faults []Fault, most, within float64) {
	from := len(p.Lost)
	var sum float64
	for i, f := range faults {
		part, units := r.charge(f)
		if part != p.Name {
			continue
		}
		why := string(f.Kind)
		if units == 0 {
			why += ": counted with its cause"
		}
		p.Lost = append(p.Lost, Loss{&i, units, why})
		sum += units
	}
	unit := within / max(most, sum, 1e-9)
	for i := range p.Lost[from:] {
		p.Lost[from+i].Points *= unit
	}
}

func (p *Part) inaccurate(percent float64, rule AccuracyRule, within float64) {
	share := (percent - rule.Full) / (rule.None - rule.Full)
	if share = max(0, min(1, share)); share > 0 {
		p.Lost = append(p.Lost, Loss{nil, share * within, fmt.Sprintf("widths are off by %.1f %% of the mean width; up to %g %% costs nothing", percent, rule.Full)})
	}
}

// settle rounds what was lost and leaves the rest.
func (p *Part) settle() {
	p.Of = round(p.Of, 100)
	p.Points = p.Of
	for i := range p.Lost {
		p.Lost[i].Points = round(p.Lost[i].Points, 100)
		p.Points -= p.Lost[i].Points
	}
	p.Points = round(max(0, p.Points), 100)
}

// pointsOff is what units and order cost.
func (r Rubric) pointsOff(faults []Fault) Part {
	p := Part{Name: partHandingIn, Lost: []Loss{}}
	for i, f := range faults {
		points := map[Kind]float64{Units: r.PointsOff.Units, Reversed: r.PointsOff.Reversed}[f.Kind]
		if points > 0 {
			p.Lost = append(p.Lost, Loss{&i, points, string(f.Kind)})
			p.Points -= points
		}
	}
	return p
}

func round(x, steps float64) float64 { return math.Round(x*steps) / steps }
