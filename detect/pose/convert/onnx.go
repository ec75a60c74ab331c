package convert

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
)

// message is a protobuf message being written (onnx.proto).
type message []byte

func (m *message) tag(field, wire int) { *m = binary.AppendUvarint(*m, uint64(field<<3|wire)) }
func (m *message) int(field, v int) {
	m.tag(field, 0)
	*m = binary.AppendUvarint(*m, uint64(int64(v)))
}
func (m *message) bytes(field int, v []byte) {
	m.tag(field, 2)
	*m = append(binary.AppendUvarint(*m, uint64(len(v))), v...)
}
func (m *message) string(field int, v string) { m.bytes(field, []byte(v)) }

// Input is what the models call the picture they look at.
const Input = "input"

// Element types of an ONNX tensor (onnx.proto, TensorProto.DataType).
const (
	onnxFloat = 1
	onnxInt64 = 7
)

// attribute is one of a node's: an int, []int or string.
type attribute struct {
	name  string
	value any
}

func (a attribute) encode() (m message) {
	m.string(1, a.name)
	switch v := a.value.(type) {
	case int:
		m.int(3, v)
		m.int(20, 2)
	case []int:
		for _, e := range v {
			m.int(8, e)
		}
		m.int(20, 7)
	case string:
		m.string(4, v)
		m.int(20, 3)
	}
	return m
}

// port declares an input or output of the graph.
func port(name string, shape []int) (m message) {
	var dims, tensor, kind message
	for _, d := range shape {
		var x message
		x.int(1, d)
		dims.bytes(1, x)
	}
	tensor.int(1, onnxFloat)
	tensor.bytes(2, dims)
	kind.bytes(1, tensor)
	m.string(1, name)
	m.bytes(2, kind)
	return m
}

// writer rewrites a model into an ONNX graph: 4-D values are kept channels
// first throughout, a Transpose stands only around a Reshape that mixes space
// and channels.
type writer struct {
	m           *model
	nodes, data message
	names       []string
	source      map[int]int    // tensor → operator that makes it
	pads        map[int][4]int // tensor made by a PAD that its convolution takes over: top, left, bottom, right
	written     map[string]bool
}

// write gives the ONNX file (opset 13) with only the named outputs; rename
// maps TFLite output names to ours and says which to keep.
func write(m *model, rename map[string]string) ([]byte, error) {
	w := &writer{m: m, source: map[int]int{}, pads: map[int][4]int{}, written: map[string]bool{}}
	for k, o := range m.ops {
		w.source[o.out[0]] = k
	}
	for i := range m.tensors {
		w.names = append(w.names, fmt.Sprintf("t%d", i))
	}
	var outs []int
	for _, i := range m.out {
		if n, ok := rename[m.tensors[i].name]; ok {
			w.names[i] = n
			outs = append(outs, i)
		}
	}
	if len(outs) != len(rename) {
		return nil, fmt.Errorf("%d of %d outputs found", len(outs), len(rename))
	}
	w.names[m.in[0]] = Input
	live, uses := w.live(outs)
	w.foldPads(live, uses)
	for k := range m.ops {
		if !live[k] {
			continue
		}
		if err := w.op(&m.ops[k]); err != nil {
			return nil, fmt.Errorf("operator %d: %w", k, err)
		}
	}
	graph := slices.Clone(w.nodes)
	graph.string(2, "pose")
	graph = append(graph, w.data...)
	graph.bytes(11, port(Input, channelsFirst(m.tensors[m.in[0]].shape)))
	for _, i := range outs {
		graph.bytes(12, port(w.names[i], channelsFirst(m.tensors[i].shape)))
	}
	var file, opset message
	file.int(1, 8) // IR version
	file.string(2, "tapeline convert")
	file.bytes(7, graph)
	opset.string(1, "")
	opset.int(2, 13)
	file.bytes(8, opset)
	return file, nil
}

// live marks the operators the outputs need and counts who reads each tensor.
func (w *writer) live(outs []int) ([]bool, map[int]int) {
	live, uses := make([]bool, len(w.m.ops)), map[int]int{}
	todo := slices.Clone(outs)
	for len(todo) > 0 {
		t := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if t < 0 {
			continue
		}
		uses[t]++
		if k, ok := w.source[t]; ok && !live[k] {
			live[k] = true
			todo = append(todo, w.m.ops[k].in...)
		}
	}
	return live, uses
}

// foldPads gives a spatial PAD whose only reader is an unpadded convolution to
// that convolution.
func (w *writer) foldPads(live []bool, uses map[int]int) {
	for k, o := range w.m.ops {
		if !live[k] || (o.code != opConv && o.code != opDepthwiseConv) || o.opt.i8(0, 0) != paddingValid || uses[o.in[0]] != 1 {
			continue
		}
		s, ok := w.source[o.in[0]]
		if !ok || w.m.ops[s].code != opPad {
			continue
		}
		if p, err := w.padding(&w.m.ops[s]); err == nil && p[0]+p[1]+p[6]+p[7] == 0 {
			w.pads[o.in[0]] = [4]int{p[2], p[4], p[3], p[5]}
		}
	}
}

// padding is the constant operand of a PAD: begin and end for each of N,H,W,C.
func (w *writer) padding(o *op) ([]int, error) {
	d := w.m.tensors[o.in[1]].data
	if len(d) != 32 {
		return nil, fmt.Errorf("PAD of %d bytes, want 4 axes", len(d))
	}
	r := make([]int, 8)
	for k := range r {
		r[k] = int(int32(le.Uint32(d[4*k:])))
	}
	return r, nil
}

func channelsFirst(s []int) []int {
	if len(s) == 4 {
		return []int{s[0], s[3], s[1], s[2]}
	}
	return s
}

func (w *writer) node(kind string, in, out []string, attrs ...attribute) {
	var n message
	for _, s := range in {
		n.string(1, s)
	}
	for _, s := range out {
		n.string(2, s)
	}
	n.string(3, kind+"_"+out[0])
	n.string(4, kind)
	for _, a := range attrs {
		n.bytes(5, a.encode())
	}
	w.nodes.bytes(1, n)
}

// constant stores raw once and gives its name back.
func (w *writer) constant(name string, kind int, shape []int, raw []byte) string {
	if !w.written[name] {
		w.written[name] = true
		var t message
		for _, d := range shape {
			t.int(1, d)
		}
		t.int(2, kind)
		t.string(8, name)
		t.bytes(9, raw)
		w.data.bytes(5, t)
	}
	return name
}

func (w *writer) ints(name string, v ...int) string {
	var raw []byte
	for _, x := range v {
		raw = le.AppendUint64(raw, uint64(int64(x)))
	}
	return w.constant(name, onnxInt64, []int{len(v)}, raw)
}

func (w *writer) floats(name string, shape []int, v ...float32) string {
	raw := make([]byte, 0, 4*len(v))
	for _, x := range v {
		raw = le.AppendUint32(raw, math.Float32bits(x))
	}
	return w.constant(name, onnxFloat, shape, raw)
}

// value is the constant a tensor holds, looking through DEQUANTIZE and
// DENSIFY; nil if it is none.
func (w *writer) value(i int) ([]float32, []int, error) {
	for range w.m.ops {
		if w.m.tensors[i].data != nil {
			break
		}
		k, ok := w.source[i]
		if !ok || (w.m.ops[k].code != opDequantize && w.m.ops[k].code != opDensify) {
			return nil, nil, nil
		}
		i = w.m.ops[k].in[0]
	}
	if w.m.tensors[i].data == nil {
		return nil, nil, nil
	}
	v, err := w.m.tensors[i].floats()
	return v, w.m.tensors[i].shape, err
}

// activate puts the fused activation between what was just written under
// before(out, act) and out.
func (w *writer) activate(act int, out string) error {
	switch act {
	case activationNone:
	case activationRelu:
		w.node("Relu", []string{before(out, act)}, []string{out})
	case activationRelu6:
		w.node("Clip", []string{before(out, act), w.floats("zero", nil, 0), w.floats("six", nil, 6)}, []string{out})
	default:
		return fmt.Errorf("activation %d not supported", act)
	}
	return nil
}

func before(out string, act int) string {
	if act == activationNone {
		return out
	}
	return out + "_pre"
}

// same is TensorFlow's SAME padding of one axis, begin and end.
func same(in, kernel, stride, dilation int) (int, int) {
	out := (in + stride - 1) / stride
	p := max((out-1)*stride+(kernel-1)*dilation+1-in, 0)
	return p / 2, p - p/2
}

func (w *writer) op(o *op) error {
	out := w.m.tensors[o.out[0]]
	name := w.names[o.out[0]]
	in := func(k int) string { return w.names[o.in[k]] }
	shape := w.m.tensors[o.in[0]].shape
	spatial := func() error {
		if len(shape) != 4 || len(out.shape) != 4 {
			return fmt.Errorf("shapes %v → %v, want 4 axes", shape, out.shape)
		}
		return nil
	}
	switch o.code {
	case opDequantize, opDensify:
		return nil // value looks through them
	case opConv, opDepthwiseConv:
		if err := spatial(); err != nil {
			return err
		}
		return w.conv(o, shape)
	case opAdd:
		ins := []string{in(0), in(1)}
		for k, i := range o.in[:2] {
			v, s, err := w.value(i)
			if err != nil {
				return err
			}
			if v != nil {
				if len(s) > 1 {
					return fmt.Errorf("constant operand of %d axes", len(s))
				}
				ins[k] = w.floats(fmt.Sprintf("k%d", i), []int{1, len(v), 1, 1}, v...)
			}
		}
		act := o.opt.i8(0, 0)
		w.node("Add", ins, []string{before(name, act)})
		return w.activate(act, name)
	case opPad:
		if _, folded := w.pads[o.out[0]]; folded {
			return nil
		}
		p, err := w.padding(o)
		if err != nil {
			return err
		}
		pads := w.ints(fmt.Sprintf("pads%d", o.out[0]), p[0], p[6], p[2], p[4], p[1], p[7], p[3], p[5])
		w.node("Pad", []string{in(0), pads}, []string{name}, attribute{"mode", "constant"})
	case opMaxPool:
		if err := spatial(); err != nil {
			return err
		}
		sw, sh, kw, kh := o.opt.i32(1, 1), o.opt.i32(2, 1), o.opt.i32(3, 1), o.opt.i32(4, 1)
		if min(sw, sh, kw, kh) < 1 || o.opt.i8(5, 0) != activationNone {
			return fmt.Errorf("pool %d×%d step %d×%d activation %d not supported", kw, kh, sw, sh, o.opt.i8(5, 0))
		}
		pads := make([]int, 4)
		if o.opt.i8(0, 0) == paddingSame {
			pads[0], pads[2] = same(shape[1], kh, sh, 1)
			pads[1], pads[3] = same(shape[2], kw, sw, 1)
		}
		w.node("MaxPool", []string{in(0)}, []string{name}, attribute{"kernel_shape", []int{kh, kw}}, attribute{"strides", []int{sh, sw}}, attribute{"pads", pads})
	case opResizeBilinear:
		if err := spatial(); err != nil {
			return err
		}
		if o.opt.i8(3, 0) != 1 {
			return fmt.Errorf("resize without half-pixel centres not supported")
		}
		scale := w.floats(fmt.Sprintf("scale%d", o.out[0]), []int{4}, 1, 1, float32(out.shape[1])/float32(shape[1]), float32(out.shape[2])/float32(shape[2]))
		w.node("Resize", []string{in(0), "", scale}, []string{name}, attribute{"mode", "linear"}, attribute{"coordinate_transformation_mode", "half_pixel"})
	case opDepthToSpace:
		w.node("DepthToSpace", []string{in(0)}, []string{name}, attribute{"blocksize", o.opt.i32(0, 2)}, attribute{"mode", "DCR"})
	case opLogistic:
		w.node("Sigmoid", []string{in(0)}, []string{name})
	case opConcatenation:
		axis, rank := o.opt.i32(0, 0), len(out.shape)
		if axis < 0 {
			axis += rank
		}
		if axis < 0 || axis >= rank {
			return fmt.Errorf("concatenation along axis %d of %d", axis, rank)
		}
		if rank == 4 {
			axis = []int{0, 2, 3, 1}[axis]
		}
		var ins []string
		for _, i := range o.in {
			if i < 0 {
				return fmt.Errorf("concatenation of nothing")
			}
			ins = append(ins, w.names[i])
		}
		w.node("Concat", ins, []string{name}, attribute{"axis", axis})
	case opReshape:
		x := in(0)
		if len(shape) == 4 && shape[3] > 1 && shape[1]*shape[2] > 1 {
			w.node("Transpose", []string{x}, []string{name + "_nhwc"}, attribute{"perm", []int{0, 2, 3, 1}})
			x = name + "_nhwc"
		}
		to := name
		if len(out.shape) == 4 {
			to += "_nhwc_out"
		}
		w.node("Reshape", []string{x, w.ints(fmt.Sprintf("shape%d", o.out[0]), out.shape...)}, []string{to})
		if to != name {
			w.node("Transpose", []string{to}, []string{name}, attribute{"perm", []int{0, 3, 1, 2}})
		}
	default:
		return fmt.Errorf("code %d not supported", o.code)
	}
	return nil
}

// conv writes a convolution: weights O,H,W,I (or 1,H,W,O for a depthwise one)
// become O,I,H,W.
func (w *writer) conv(o *op, shape []int) error {
	depthwise := o.code == opDepthwiseConv
	kernel, ks, err := w.value(o.in[1])
	if err != nil {
		return err
	}
	if kernel == nil || len(ks) != 4 {
		return fmt.Errorf("weights are no constant of 4 axes")
	}
	activation, dilation := 3, 4 // slots
	if depthwise {
		activation, dilation = 4, 5
	}
	sw, sh, act := o.opt.i32(1, 1), o.opt.i32(2, 1), o.opt.i8(activation, 0)
	dw, dh := o.opt.i32(dilation, 1), o.opt.i32(dilation+1, 1)
	if min(sw, sh, dw, dh) < 1 {
		return fmt.Errorf("step %d×%d dilation %d×%d", sw, sh, dw, dh)
	}
	kh, kw := ks[1], ks[2]
	groups, outC, inC := 1, ks[0], ks[3]
	if depthwise {
		groups, outC, inC = shape[3], ks[3], 1
	}
	x := make([]float32, len(kernel))
	k := 0
	for a := range outC {
		for b := range inC {
			for y := range kh {
				for z := range kw {
					from := ((a*kh+y)*kw+z)*inC + b
					if depthwise {
						from = (y*kw+z)*outC + a
					}
					x[k] = kernel[from]
					k++
				}
			}
		}
	}
	pads := make([]int, 4)
	if o.opt.i8(0, 0) == paddingSame {
		pads[0], pads[2] = same(shape[1], kh, sh, dh)
		pads[1], pads[3] = same(shape[2], kw, sw, dw)
	}
	src := o.in[0]
	if p, ok := w.pads[src]; ok {
		for k := range pads {
			pads[k] += p[k]
		}
		src = w.m.ops[w.source[src]].in[0]
	}
	ins := []string{w.names[src], w.floats(fmt.Sprintf("w%d", o.in[1]), []int{outC, inC, kh, kw}, x...)}
	if len(o.in) > 2 && o.in[2] >= 0 {
		b, _, err := w.value(o.in[2])
		if err != nil {
			return err
		}
		if len(b) != outC {
			return fmt.Errorf("bias of %d, want %d", len(b), outC)
		}
		ins = append(ins, w.floats(fmt.Sprintf("b%d", o.in[2]), []int{outC}, b...))
	}
	name := w.names[o.out[0]]
	w.node("Conv", ins, []string{before(name, act)}, attribute{"kernel_shape", []int{kh, kw}}, attribute{"strides", []int{sh, sw}},
		attribute{"dilations", []int{dh, dw}}, attribute{"pads", pads}, attribute{"group", groups})
	return w.activate(act, name)
}
