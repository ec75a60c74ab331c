package convert

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math"
	"math/rand"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
)

// A flatbuffer writer for tests: a table is its fields by slot, nil left out.
type (
	fields []any
	vector []fields
)

type builder []byte

func (b *builder) u32(v int) { *b = le.AppendUint32(*b, uint32(v)) }

func (b *builder) put(v any) int {
	p := len(*b)
	switch v := v.(type) {
	case []byte:
		b.u32(len(v))
		*b = append(*b, v...)
	case []int:
		b.u32(len(v))
		for _, x := range v {
			b.u32(x)
		}
	case vector:
		b.u32(len(v))
		for range v {
			b.u32(0)
		}
		for i, t := range v {
			slot := p + 4 + 4*i
			at := b.put(t) // may move b
			le.PutUint32((*b)[slot:], uint32(at-slot))
		}
	case fields:
		vt := p
		*b = le.AppendUint16(*b, uint16(4+2*len(v)))
		*b = le.AppendUint16(*b, uint16(4+4*len(v)))
		for i, f := range v {
			o := 4 + 4*i
			if f == nil {
				o = 0
			}
			*b = le.AppendUint16(*b, uint16(o))
		}
		p = len(*b)
		b.u32(p - vt)
		for _, f := range v {
			n, _ := f.(int)
			b.u32(n)
		}
		for i, f := range v {
			if _, plain := f.(int); f == nil || plain {
				continue
			}
			slot := p + 4 + 4*i
			at := b.put(f)
			le.PutUint32((*b)[slot:], uint32(at-slot))
		}
	}
	return p
}

func f32(v ...float32) (b []byte) {
	for _, x := range v {
		b = le.AppendUint32(b, math.Float32bits(x))
	}
	return b
}

func i32(v ...int) (b []byte) {
	for _, x := range v {
		b = le.AppendUint32(b, uint32(x))
	}
	return b
}

func f16(v ...uint16) (b []byte) {
	for _, x := range v {
		b = le.AppendUint16(b, x)
	}
	return b
}

// tiny is a graph with the turns the real ones take: fp16 weights behind a
// DEQUANTIZE, a PAD before an unpadded 3×3 convolution with Relu6, a reshape
// that mixes space and channels, and a second output that is to be pruned.
func tiny() []byte {
	codes := []int{opDequantize, opPad, opConv, opReshape, opLogistic, opMaxPool}
	var codeTables vector
	for _, c := range codes {
		codeTables = append(codeTables, fields{c, nil, nil, c})
	}
	code := func(c int) int { return slices.Index(codes, c) }
	weights := make([]uint16, 2*3*3*1)
	for i := range weights {
		weights[i] = 0x3c00 + uint16(i) // 1 + i/1024
	}
	buffers := vector{{nil}, {f16(weights...)}, {i32(0, 0, 1, 0, 1, 0, 0, 0)}, {f32(.5, -.5)}, {i32(1, 32)}}
	tensor := func(name string, kind, buffer int, shape ...int) fields {
		return fields{shape, kind, buffer, []byte(name)}
	}
	tensors := vector{
		tensor("in", 0, 0, 1, 5, 5, 1),
		tensor("w16", 1, 1, 2, 3, 3, 1),
		tensor("w", 0, 0, 2, 3, 3, 1),
		tensor("pads", 2, 2, 4, 2),
		tensor("padded", 0, 0, 1, 6, 6, 1),
		tensor("bias", 0, 3, 2),
		tensor("conv", 0, 0, 1, 4, 4, 2),
		tensor("shape", 2, 4, 2),
		tensor("flat", 0, 0, 1, 32),
		tensor("Identity", 0, 0, 1, 32),
		tensor("Identity_1", 0, 0, 1, 2, 2, 2),
	}
	ops := vector{
		{code(opDequantize), []int{1}, []int{2}},
		{code(opPad), []int{0, 3}, []int{4}},
		{code(opConv), []int{4, 2, 5}, []int{6}, nil, fields{paddingValid, 1, 1, activationRelu6}},
		{code(opReshape), []int{6, 7}, []int{8}},
		{code(opLogistic), []int{8}, []int{9}},
		{code(opMaxPool), []int{6}, []int{10}, nil, fields{paddingSame, 2, 2, 2, 2}},
	}
	graph := fields{tensors, []int{0}, []int{9, 10}, ops}
	b := builder(make([]byte, 8))
	copy(b[4:], flatbufferTag)
	root := b.put(fields{3, codeTables, vector{graph}, nil, buffers})
	le.PutUint32(b, uint32(root))
	return b
}

// wire reads a protobuf message into its fields, varints as int, the rest as
// bytes.
func wire(t *testing.T, b []byte) map[int][]any {
	t.Helper()
	out := map[int][]any{}
	for len(b) > 0 {
		tag, n := binary.Uvarint(b)
		v, k := binary.Uvarint(b[n:])
		if n <= 0 || k <= 0 {
			t.Fatal("bad varint")
		}
		b = b[n+k:]
		switch tag & 7 {
		case 0:
			out[int(tag>>3)] = append(out[int(tag>>3)], int(v))
		case 2:
			out[int(tag>>3)] = append(out[int(tag>>3)], b[:v])
			b = b[v:]
		default:
			t.Fatalf("wire type %d", tag&7)
		}
	}
	return out
}

func text(v []any) (s []string) {
	for _, x := range v {
		s = append(s, string(x.([]byte)))
	}
	return s
}

func TestGraphIsRewritten(t *testing.T) {
	b, err := Convert(tiny(), map[string]string{"Identity": "out"})
	if err != nil {
		t.Fatal(err)
	}
	graph := wire(t, wire(t, b)[7][0].([]byte))
	var kinds []string
	attrs := map[string]map[string][]int{}
	for _, n := range graph[1] {
		node := wire(t, n.([]byte))
		kind := text(node[4])[0]
		kinds = append(kinds, kind)
		attrs[kind] = map[string][]int{}
		for _, a := range node[5] {
			m := wire(t, a.([]byte))
			for _, v := range m[8] {
				name := text(m[1])[0]
				attrs[kind][name] = append(attrs[kind][name], v.(int))
			}
		}
		if kind == "Conv" && text(node[1])[0] != "input" {
			t.Errorf("the padding did not join the convolution: reads %v", text(node[1]))
		}
	}
	// No MaxPool: its output was not wanted.
	if want := []string{"Conv", "Clip", "Transpose", "Reshape", "Sigmoid"}; !slices.Equal(kinds, want) {
		t.Errorf("nodes %v, want %v", kinds, want)
	}
	if p := attrs["Conv"]["pads"]; !slices.Equal(p, []int{1, 1, 0, 0}) {
		t.Errorf("pads %v: top, left, bottom, right", p)
	}
	if p := attrs["Transpose"]["perm"]; !slices.Equal(p, []int{0, 2, 3, 1}) {
		t.Errorf("perm %v", p)
	}
	var weights []float32
	for _, c := range graph[5] {
		m := wire(t, c.([]byte))
		if text(m[8])[0] == "w2" {
			if !reflect.DeepEqual(m[1], []any{2, 1, 3, 3}) {
				t.Errorf("weights of shape %v", m[1])
			}
			raw := m[9][0].([]byte)
			for i := 0; i < len(raw); i += 4 {
				weights = append(weights, math.Float32frombits(le.Uint32(raw[i:])))
			}
		}
	}
	if len(weights) != 18 || weights[0] != 1 || weights[17] != 1+17./1024 {
		t.Errorf("weights %v", weights)
	}
	if len(graph[12]) != 1 || !bytes.Contains(graph[12][0].([]byte), []byte("out")) {
		t.Errorf("%d outputs", len(graph[12]))
	}
}

func TestSameInputSameFile(t *testing.T) {
	keep := map[string]string{"Identity": "a", "Identity_1": "b"}
	first, err := Convert(tiny(), keep)
	if err != nil {
		t.Fatal(err)
	}
	for range 5 {
		if b, _ := Convert(tiny(), keep); !bytes.Equal(b, first) {
			t.Fatal("the file differs from run to run: its hash can't be pinned")
		}
	}
}

func TestMissingOutputIsAnError(t *testing.T) {
	if _, err := Convert(tiny(), map[string]string{"Identity_7": "x"}); err == nil {
		t.Error("an output that is not there was converted")
	}
}

func TestDamagedInputIsAnErrorNotAPanic(t *testing.T) {
	keep := map[string]string{"Identity": "out", "Identity_1": "pool"}
	whole := tiny()
	if _, err := Convert(whole, keep); err != nil {
		t.Fatal(err)
	}
	for n := range whole {
		if _, err := Convert(whole[:n], keep); n < len(whole)/2 && err == nil {
			t.Errorf("first %d bytes passed", n)
		}
	}
	r := rand.New(rand.NewSource(1))
	for range 20000 {
		b := slices.Clone(whole)
		for range 1 + r.Intn(4) {
			b[8+r.Intn(len(b)-8)] = byte(r.Intn(256))
		}
		_, _ = Convert(b, keep) // must return
	}
}

func FuzzConvert(f *testing.F) {
	f.Add(tiny())
	f.Fuzz(func(t *testing.T, b []byte) {
		_, _ = Convert(b, map[string]string{"Identity": "out"})
	})
}

// Source: IEEE 754-2008 binary16; 0x3555 is the value nearest to 1/3.
func TestFromHalf(t *testing.T) {
	for h, want := range map[uint16]float32{0: 0, 0x3c00: 1, 0xc000: -2, 0x7bff: 65504, 0x0400: 1. / 16384, 0x0001: 1. / (1 << 24), 0x8001: -1. / (1 << 24), 0x3555: .333251953125, 0x7c00: float32(math.Inf(1))} {
		if got := fromHalf(h); got != want {
			t.Errorf("%#04x: %v, want %v", h, got, want)
		}
	}
	if !math.Signbit(float64(fromHalf(0x8000))) || !math.IsNaN(float64(fromHalf(0x7e00))) {
		t.Error("−0 or NaN lost")
	}
}

// Source: the formula of TensorFlow's tf.nn "SAME" padding; when the total is
// odd the extra cell goes to the end.
func TestSamePadding(t *testing.T) {
	for _, c := range [][6]int{{224, 3, 2, 1, 0, 1}, {256, 3, 1, 1, 1, 1}, {5, 2, 2, 1, 0, 1}, {7, 5, 1, 2, 4, 4}, {8, 1, 2, 1, 0, 0}} {
		if a, b := same(c[0], c[1], c[2], c[3]); a != c[4] || b != c[5] {
			t.Errorf("side %d kernel %d step %d dilation %d: %d, %d", c[0], c[1], c[2], c[3], a, b)
		}
	}
}

// A matrix kept by compressed rows, worked by hand:
//
//	0 7 0
//	0 0 0
//	5 0 6
func TestSparseRows(t *testing.T) {
	x := tensor{name: "s", shape: []int{3, 3}, data: f32(7, 5, 6), sparse: &sparsity{order: []int{0, 1},
		axes: []sparseAxis{{size: 3}, {compressed: true, segments: []int{0, 1, 1, 3}, indices: []int{1, 0, 2}}}}}
	got, err := x.floats()
	if want := []float32{0, 7, 0, 0, 0, 0, 5, 0, 6}; err != nil || !slices.Equal(got, want) {
		t.Errorf("%v, %v", got, err)
	}
	x.data = f32(7, 5)
	if _, err := x.floats(); !errors.Is(err, errMalformed) {
		t.Errorf("too few values: %v", err)
	}
	x.data = f32(7, 5, 6, 9)
	if _, err := x.floats(); !errors.Is(err, errMalformed) {
		t.Errorf("too many values: %v", err)
	}
	x.sparse.axes[0].size = 1 << 30
	if _, err := x.floats(); !errors.Is(err, errMalformed) {
		t.Errorf("an endless axis: %v", err)
	}
}

// Blocks of 2 along the columns, worked by hand: only the right half of the
// first row and the left half of the second are kept.
//
//	0 0 1 2
//	3 4 0 0
func TestSparseBlocks(t *testing.T) {
	x := tensor{name: "s", shape: []int{2, 4}, data: f32(1, 2, 3, 4), sparse: &sparsity{order: []int{0, 1, 2}, blocks: []int{1},
		axes: []sparseAxis{{size: 2}, {compressed: true, segments: []int{0, 1, 2}, indices: []int{1, 0}}, {size: 2}}}}
	got, err := x.floats()
	if want := []float32{0, 0, 1, 2, 3, 4, 0, 0}; err != nil || !slices.Equal(got, want) {
		t.Errorf("%v, %v", got, err)
	}
}

func TestAlteredPackageLeavesNothing(t *testing.T) {
	from, to := t.TempDir(), filepath.Join(t.TempDir(), "models")
	for _, m := range Models {
		if err := os.WriteFile(filepath.Join(from, m.Source), tiny(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := All(from, to, nil); !errors.Is(err, ErrAltered) {
		t.Fatalf("%v", err)
	}
	left, err := os.ReadDir(to)
	if err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	if err := All(t.TempDir(), to, nil); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("empty package: %v", err)
	}
}

func TestCheckTellsAlteredFromMissing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f")
	// Source of the hash: FIPS 180-2, appendix B.1, "abc".
	const abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	if err := Check(path, abc); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing: %v", err)
	}
	if err := writeWhole(path, []byte("abc")); err != nil {
		t.Fatal(err)
	}
	if err := Check(path, abc); err != nil {
		t.Error(err)
	}
	if err := writeWhole(path, []byte("abd")); err != nil {
		t.Fatal(err)
	}
	if err := Check(path, abc); !errors.Is(err, ErrAltered) {
		t.Errorf("altered: %v", err)
	}
	if left, _ := os.ReadDir(filepath.Dir(path)); len(left) != 1 {
		t.Errorf("temporary files left: %v", left)
	}
}
