package evidence

import (
	_ "embed"
	"encoding/json"
	"math"
	"sync"

	"pithward/measure"
)

// Woods lists the kinds of wood in the order of the model's outputs.
var Woods = []measure.Wood{measure.Conifer, measure.RingPorous, measure.DiffusePorous}

// Model is what was learned from rendered cores: see cmd/train, which remakes
// it.
type Model struct {
	Column      map[measure.Wood]*Net          `json:"column"`      // features of a column -> log odds of a boundary
	Context     map[measure.Wood]*Net          `json:"context"`     // a candidate's second look -> log odds
	Wood        *Net                           `json:"wood"`        // a core's summary -> a score for each of Woods
	Bark        *Net                           `json:"bark"`        // a core's two ends compared -> log odds that bark is at low columns
	Veil        *Net                           `json:"veil"`        // a block's signs -> a score for open wood and each of VeilKinds
	Prior       map[measure.Wood]measure.Prior `json:"prior"`       // how rings follow each other
	Place       map[measure.Wood]Placing       `json:"place"`       // how candidates lie to the true boundary
	Calibration map[measure.Wood][2]float64    `json:"calibration"` // log odds -> slope * log odds + offset
}

//go:embed model.json
var modelJSON []byte

// Default returns the model kept in the program.
var Default = sync.OnceValue(func() *Model {
	m := &Model{}
	if err := json.Unmarshal(modelJSON, m); err != nil {
		panic("evidence: model.json: " + err.Error()) // it is part of the program
	}
	return m
})

// Span is the wood of a core in columns: where it begins and ends, the
// openings of gaps inside it, and which way the bark lies.
type Span struct {
	From, To float64      // columns of the wood, low to high
	Openings [][2]float64 // columns, each from low to high
	Lost     []bool       // for each opening: wood is missing there
	Veils    []Veil       // where no boundary can be seen, from low to high
	Dir      int          // +1: bark at low columns
	PxPerMM  float64      // scale, or a guess of it
}

// woodMM returns the length of wood between the bark end and column u, in mm,
// openings taken off.
func (s Span) woodMM(u float64) float64 {
	start := s.From
	if s.Dir < 0 {
		start = s.To
	}
	a, b := math.Min(start, u), math.Max(start, u)
	length := b - a
	for _, o := range s.Openings {
		length -= math.Max(0, math.Min(b, o[1])-math.Max(a, o[0]))
	}
	return length / s.PxPerMM
}

// hidden tells whether column u lies in an opening or a veil, or so close to
// its edge that the edge itself would be read.
func (s Span) hidden(u float64) bool {
	margin := 0.05 * s.PxPerMM
	if u < s.From+margin || u > s.To-margin {
		return true
	}
	for _, o := range s.Openings {
		if u > o[0]-margin && u < o[1]+margin {
			return true
		}
	}
	for _, v := range s.Veils {
		if u > v.From-margin && u < v.To+margin {
			return true
		}
	}
	return false
}

// veils gives the veils in mm of wood from the bark on.
func (s Span) veils() []measure.Veil {
	var out []measure.Veil
	for _, v := range s.Veils {
		a, b := s.woodMM(v.From), s.woodMM(v.To)
		out = append(out, measure.Veil{From: math.Min(a, b), To: math.Max(a, b)})
	}
	return out
}

// Reading is what a core's evidence says under one kind of wood and one
// direction.
type Reading struct {
	Candidates []Candidate // from bark to pith
	measure.Inference
}

// Read scores the columns, proposes candidates and infers the boundaries, in
// two looks: the second knows this core's own typical boundary.
func (m *Model) Read(f *Features, wood measure.Wood, span Span) Reading {
	return m.ReadFrom(f, m.Propose(f, wood, span), wood, span)
}

// ReadFrom is Read for candidates proposed before.
func (m *Model) ReadFrom(f *Features, cands []Candidate, wood measure.Wood, span Span) Reading {
	first := m.infer(cands, wood, span)
	second := m.lookAgain(f, cands, first, wood, span)
	inf := m.infer(second, wood, span)
	m.calibrate(&inf, wood)
	return Reading{Candidates: second, Inference: inf}
}

// ReadLook is Read for a core that has been judged.
func (m *Model) ReadLook(f *Features, l Look) Reading {
	return m.ReadFrom(f, candidatesIn(l.odds.of(l.Wood, l.Span.Dir), l.Span), l.Wood, l.Span)
}

// First makes the first look only.
func (m *Model) First(f *Features, wood measure.Wood, span Span) Reading {
	cands := m.Propose(f, wood, span)
	return Reading{Candidates: cands, Inference: m.infer(cands, wood, span)}
}

// glance is First at the likelier candidates alone, for comparing directions,
// given the log odds of every column.
func (m *Model) glance(score []float32, wood measure.Wood, span Span) Reading {
	var likely []Candidate
	for _, c := range candidatesIn(score, span) {
		if c.LogOdds > -4 {
			likely = append(likely, c)
		}
	}
	return Reading{Candidates: likely, Inference: m.infer(likely, wood, span)}
}

// Propose returns the candidates of the wood in a span, from bark to pith.
func (m *Model) Propose(f *Features, wood measure.Wood, span Span) []Candidate {
	return candidatesIn(m.oddsOf(f).of(wood, span.Dir), span)
}

// candidatesIn returns the candidates of the wood in a span, from bark to pith,
// given the log odds of every column.
func candidatesIn(score []float32, span Span) []Candidate {
	all := Candidates(score)
	var out []Candidate
	for _, c := range all {
		if !span.hidden(c.U) {
			out = append(out, c)
		}
	}
	if span.Dir < 0 {
		for i, j := 0, len(out)-1; i < j; i, j = i+1, j-1 {
			out[i], out[j] = out[j], out[i]
		}
	}
	return out
}

// infer runs the chain over candidates given from bark to pith.
func (m *Model) infer(cands []Candidate, wood measure.Wood, span Span) measure.Inference {
	p := make([]measure.Proposal, len(cands))
	for i, c := range cands {
		p[i] = measure.Proposal{At: span.woodMM(c.U), LogOdds: c.LogOdds}
	}
	var barriers []float64
	for i, o := range span.Openings {
		if span.Lost[i] {
			barriers = append(barriers, span.woodMM((o[0]+o[1])/2))
		}
	}
	return measure.Infer(p, barriers, span.veils(), m.Prior[wood])
}

// lookAgain returns the candidates with the log odds of the second look.
func (m *Model) lookAgain(f *Features, cands []Candidate, first measure.Inference, wood measure.Wood, span Span) []Candidate {
	net := m.Context[wood]
	if net == nil || len(cands) == 0 {
		return cands
	}
	out := make([]Candidate, len(cands))
	h, y := make([]float32, net.Hidden), make([]float32, 1)
	for i, x := range SecondLook(f, cands, first, span.PxPerMM, span.Dir) {
		net.Apply(x, h, y)
		out[i] = cands[i]
		out[i].LogOdds = float64(y[0])
	}
	return out
}

// calibrate maps the posterior probabilities onto observed frequencies.
func (m *Model) calibrate(inf *measure.Inference, wood measure.Wood) {
	c, ok := m.Calibration[wood]
	if !ok {
		return
	}
	for i, p := range inf.Probability {
		p = math.Max(1e-6, math.Min(1-1e-6, p))
		inf.Probability[i] = sigmoid(c[0]*math.Log(p/(1-p)) + c[1])
	}
}

// WoodProbabilities returns the probability of each of Woods for a core.
func (m *Model) WoodProbabilities(f *Features) []float64 {
	out := make([]float32, len(Woods))
	m.Wood.Apply(f.Sum, make([]float32, m.Wood.Hidden), out)
	return softmax(out)
}

func softmax(x []float32) []float64 {
	top := x[0]
	for _, v := range x {
		top = max(top, v)
	}
	var sum float64
	p := make([]float64, len(x))
	for i, v := range x {
		p[i] = math.Exp(float64(v - top))
		sum += p[i]
	}
	for i := range p {
		p[i] /= sum
	}
	return p
}
