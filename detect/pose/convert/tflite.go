package convert

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// Element types of a TFLite tensor (schema.fbs, TensorType).
const (
	typeFloat32 = 0
	typeFloat16 = 1
)

// maxElements bounds every tensor: the largest of ours has 1.3 million.
const maxElements = 1 << 26

var (
	le           = binary.LittleEndian
	errMalformed = errors.New("malformed TFLite file")
)

// malformed is thrown by the reader on any offset outside the file and turned
// into an error by parse: a flatbuffer is all offsets, checking each at every
// call site would hide what is read.
type malformed struct{ what string }

func (m malformed) Error() string { return m.what }

// file is the flatbuffer; every read is checked.
type file []byte

func (b file) at(p, n int) []byte {
	if p < 0 || n < 0 || p > len(b) || n > len(b)-p {
		panic(malformed{fmt.Sprintf("%d bytes at %d of %d", n, p, len(b))})
	}
	return b[p : p+n]
}
func (b file) u16(p int) int { return int(le.Uint16(b.at(p, 2))) }
func (b file) u32(p int) int { return int(le.Uint32(b.at(p, 4))) }
func (b file) i32(p int) int { return int(int32(le.Uint32(b.at(p, 4)))) }
func (b file) i8(p int) int  { return int(int8(b.at(p, 1)[0])) }

// table is a flatbuffers table; the zero table is an absent one.
type table struct {
	b file
	p int
}

// field is the position of a slot, 0 when the table leaves it out.
func (t table) field(slot int) int {
	if t.b == nil {
		return 0
	}
	vt := t.p - t.b.i32(t.p)
	if o := 4 + 2*slot; o < t.b.u16(vt) {
		if v := t.b.u16(vt + o); v != 0 {
			return t.p + v
		}
	}
	return 0
}

func (t table) i32(slot, absent int) int {
	if p := t.field(slot); p != 0 {
		return t.b.i32(p)
	}
	return absent
}

func (t table) i8(slot, absent int) int {
	if p := t.field(slot); p != 0 {
		return t.b.i8(p)
	}
	return absent
}

func (t table) table(slot int) table {
	if p := t.field(slot); p != 0 {
		return table{t.b, p + t.b.u32(p)}
	}
	return table{}
}

// vector is the position of the first element and their number; size is that
// of one element, so that a length beyond the file is refused before anything
// is allocated for it.
func (t table) vector(slot, size int) (int, int) {
	p := t.field(slot)
	if p == 0 {
		return 0, 0
	}
	v := p + t.b.u32(p)
	n := t.b.u32(v)
	t.b.at(v+4, n*size)
	return v + 4, n
}

func (t table) bytes(slot int) []byte {
	p, n := t.vector(slot, 1)
	if n == 0 {
		return nil
	}
	return t.b.at(p, n)
}

func (t table) ints(slot int) []int {
	p, n := t.vector(slot, 4)
	r := make([]int, n)
	for i := range r {
		r[i] = t.b.i32(p + 4*i)
	}
	return r
}

func (t table) tables(slot int) []table {
	p, n := t.vector(slot, 4)
	r := make([]table, n)
	for i := range r {
		q := p + 4*i
		r[i] = table{t.b, q + t.b.u32(q)}
	}
	return r
}

// indices reads a SparseIndexVector union: its type at slot, its value behind.
func (t table) indices(slot int) []int {
	kind, v := t.i8(slot, 0), t.table(slot+1)
	size := map[int]int{1: 4, 2: 2, 3: 1}[kind]
	if size == 0 {
		return nil
	}
	p, n := v.vector(0, size)
	r := make([]int, n)
	for i := range r {
		switch kind {
		case 1:
			r[i] = t.b.i32(p + 4*i)
		case 2:
			r[i] = t.b.u16(p + 2*i)
		default:
			r[i] = int(t.b.at(p+i, 1)[0])
		}
	}
	return r
}

// tensor is one value of the graph; data is nil unless it is a constant.
type tensor struct {
	name   string
	shape  []int
	kind   int
	data   []byte
	sparse *sparsity
}

// sparsity is TFLite's encoding of a tensor that is mostly zero: the axes in
// the order they are walked, blocks as further axes.
type sparsity struct {
	order, blocks []int
	axes          []sparseAxis
}

type sparseAxis struct {
	compressed        bool
	size              int // of a dense axis
	segments, indices []int
}

// op is one operator; opt are its options.
type op struct {
	code    int
	in, out []int
	opt     table
}

// Operator codes (schema.fbs, BuiltinOperator).
const (
	opAdd             = 0
	opConcatenation   = 2
	opConv            = 3
	opDepthwiseConv   = 4
	opDepthToSpace    = 5
	opDequantize      = 6
	opLogistic        = 14
	opMaxPool         = 17
	opReshape         = 22
	opResizeBilinear  = 23
	opPad             = 34
	opDensify         = 124
	paddingSame       = 0
	paddingValid      = 1
	activationNone    = 0
	activationRelu    = 1
	activationRelu6   = 3
	compressedAxis    = 1
	flatbufferTag     = "TFL3"
	flatbufferMinimum = 8
)

// operands is how many inputs each known operator has at least.
var operands = map[int]int{opAdd: 2, opConcatenation: 1, opConv: 2, opDepthwiseConv: 2, opDepthToSpace: 1,
	opDequantize: 1, opLogistic: 1, opMaxPool: 1, opReshape: 1, opResizeBilinear: 1, opPad: 2, opDensify: 1}

type model struct {
	tensors []tensor
	ops     []op
	in, out []int
}

// parse reads a TFLite file with one subgraph. Every index in the result
// points at something and every shape has between 1 and maxElements elements.
func parse(b []byte) (m *model, err error) {
	defer func() {
		switch e := recover().(type) {
		case nil:
		case malformed:
			m, err = nil, fmt.Errorf("%w: %w", errMalformed, e)
		default:
			panic(e)
		}
	}()
	return parseFile(file(b))
}

func parseFile(b file) (*model, error) {
	if len(b) < flatbufferMinimum || string(b[4:8]) != flatbufferTag {
		return nil, fmt.Errorf("%w: no %s tag", errMalformed, flatbufferTag)
	}
	root := table{b, b.u32(0)}
	codes, graphs, buffers := root.tables(1), root.tables(2), root.tables(4)
	if len(graphs) != 1 {
		return nil, fmt.Errorf("%w: %d graphs, want 1", errMalformed, len(graphs))
	}
	g := graphs[0]
	m := &model{in: g.ints(1), out: g.ints(2)}
	for _, t := range g.tables(0) {
		x := tensor{name: string(t.bytes(3)), shape: t.ints(0), kind: t.i8(1, 0)}
		if _, err := elements(x.shape); err != nil {
			return nil, fmt.Errorf("tensor %q: %w", x.name, err)
		}
		if s := t.table(6); s.b != nil {
			x.sparse = &sparsity{order: s.ints(0), blocks: s.ints(1)}
			for _, d := range s.tables(2) {
				x.sparse.axes = append(x.sparse.axes, sparseAxis{d.i8(0, 0) == compressedAxis, d.i32(1, 0), d.indices(2), d.indices(4)})
			}
		}
		k := t.i32(2, 0)
		if k < 0 || k >= len(buffers) {
			return nil, fmt.Errorf("%w: buffer %d of %d", errMalformed, k, len(buffers))
		}
		x.data = buffers[k].bytes(0)
		m.tensors = append(m.tensors, x)
	}
	for _, o := range g.tables(3) {
		k := o.i32(0, 0)
		if k < 0 || k >= len(codes) {
			return nil, fmt.Errorf("%w: operator code %d of %d", errMalformed, k, len(codes))
		}
		// Old files keep the code in the first byte, newer ones in slot 3.
		m.ops = append(m.ops, op{max(codes[k].i32(3, 0), codes[k].i8(0, 0)), o.ints(1), o.ints(2), o.table(4)})
	}
	return m, m.check()
}

// check refuses what the writer can't handle, so that it need not look again.
func (m *model) check() error {
	real := func(i int) bool { return i >= 0 && i < len(m.tensors) }
	if len(m.in) != 1 || len(m.out) == 0 {
		return fmt.Errorf("%w: %d inputs, %d outputs", errMalformed, len(m.in), len(m.out))
	}
	for _, i := range append(append([]int{}, m.in...), m.out...) {
		if !real(i) {
			return fmt.Errorf("%w: tensor %d of %d", errMalformed, i, len(m.tensors))
		}
	}
	for k, o := range m.ops {
		need, known := operands[o.code]
		if !known {
			return fmt.Errorf("operator %d: code %d not supported", k, o.code)
		}
		if len(o.in) < need || len(o.out) != 1 || !real(o.out[0]) {
			return fmt.Errorf("%w: operator %d has %d inputs, %d outputs", errMalformed, k, len(o.in), len(o.out))
		}
		for j, i := range o.in {
			if optional := j == 2 && i == -1; !real(i) && !optional {
				return fmt.Errorf("%w: operator %d reads tensor %d of %d", errMalformed, k, i, len(m.tensors))
			}
			// The graph is in order of execution; this also rules out rings.
			if i == o.out[0] {
				return fmt.Errorf("%w: operator %d reads what it writes", errMalformed, k)
			}
		}
	}
	return nil
}

// elements is the product of a shape.
func elements(shape []int) (int, error) {
	n := 1
	for _, d := range shape {
		if d < 1 || d > maxElements || n > maxElements/d {
			return 0, fmt.Errorf("%w: shape %v", errMalformed, shape)
		}
		n *= d
	}
	return n, nil
}

// floats are the elements of a constant, row by row.
func (t *tensor) floats() ([]float32, error) {
	size := 4
	switch t.kind {
	case typeFloat32:
	case typeFloat16:
		size = 2
	default:
		return nil, fmt.Errorf("tensor %q: type %d, want floats", t.name, t.kind)
	}
	n, err := elements(t.shape)
	if err != nil {
		return nil, err
	}
	data := t.data
	if t.sparse != nil {
		if data, err = t.dense(n, size); err != nil {
			return nil, err
		}
	}
	if len(data) != n*size {
		return nil, fmt.Errorf("%w: tensor %q has %d bytes, want %d", errMalformed, t.name, len(data), n*size)
	}
	r := make([]float32, n)
	for k := range r {
		if size == 2 {
			r[k] = fromHalf(le.Uint16(data[2*k:]))
		} else {
			r[k] = math.Float32frombits(le.Uint32(data[4*k:]))
		}
	}
	return r, nil
}

// dense spreads sparse data over n elements of the given size.
func (t *tensor) dense(n, size int) ([]byte, error) {
	bad := func() error { return fmt.Errorf("%w: sparse tensor %q", errMalformed, t.name) }
	s, rank := t.sparse, len(t.shape)
	levels := len(s.order)
	if levels != len(s.axes) || levels != rank+len(s.blocks) {
		return nil, bad()
	}
	level := make([]int, levels) // of each axis
	for i := range level {
		level[i] = -1
	}
	for k, o := range s.order {
		if o < 0 || o >= levels || level[o] >= 0 {
			return nil, bad()
		}
		level[o] = k
	}
	block := make([]int, rank)
	for i := range block {
		block[i] = 1
	}
	for i, d := range s.blocks {
		a := s.axes[level[rank+i]]
		if d < 0 || d >= rank || a.compressed || a.size < 1 || a.size > t.shape[d] {
			return nil, bad()
		}
		block[d] = a.size
	}
	out := make([]byte, n*size)
	place := make([]int, levels) // coordinate on each axis
	read, steps := 0, 0
	var walk func(k, parent int) error
	walk = func(k, parent int) error {
		// Each element is reached once through each level; more is a trick.
		if steps++; steps > (n+1)*(levels+1) {
			return bad()
		}
		if k == levels {
			off := 0
			for d := range rank {
				c := place[d] * block[d]
				for i, b := range s.blocks {
					if b == d {
						c += place[rank+i]
					}
				}
				if c < 0 || c >= t.shape[d] {
					return bad()
				}
				off = off*t.shape[d] + c
			}
			if (read+1)*size > len(t.data) {
				return bad()
			}
			copy(out[off*size:(off+1)*size], t.data[read*size:])
			read++
			return nil
		}
		a, axis := s.axes[k], s.order[k]
		if !a.compressed {
			for i := range a.size {
				place[axis] = i
				if err := walk(k+1, parent*a.size+i); err != nil {
					return err
				}
			}
			return nil
		}
		if parent+1 >= len(a.segments) {
			return bad()
		}
		for i := a.segments[parent]; i < a.segments[parent+1]; i++ {
			if i < 0 || i >= len(a.indices) {
				return bad()
			}
			place[axis] = a.indices[i]
			if err := walk(k+1, i); err != nil {
				return err
			}
		}
		return nil
	}
	if err := walk(0, 0); err != nil {
		return nil, err
	}
	if read*size != len(t.data) {
		return nil, bad()
	}
	return out, nil
}

// fromHalf widens IEEE 754 binary16.
func fromHalf(h uint16) float32 {
	sign, exp, frac := uint32(h>>15)<<31, int(h>>10)&31, uint32(h)&1023
	switch exp {
	case 31:
		return math.Float32frombits(sign | 0xff<<23 | frac<<13)
	case 0:
		v := float32(frac) / (1 << 24)
		return math.Float32frombits(sign | math.Float32bits(v))
	}
	return math.Float32frombits(sign | uint32(exp+112)<<23 | frac<<13)
}
