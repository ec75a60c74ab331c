package convert

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// Model is one network: the file of the npm package it comes from, the file
// made of it, their SHA-256, and which outputs stay under which names.
type Model struct {
	Name         string            // "detector", "full", "heavy" or "people"
	Source       string            // in the package
	Skip         int               // bytes of Source before the model
	SourceSHA256 string            // hex
	File         string            // in the cache's models folder
	SHA256       string            // hex, of File
	Outputs      map[string]string // TFLite name → ours
}

// Packages are where the models come from: MediaPipe Pose and, for "people",
// the object detector of MediaPipe Objectron, taught on Open Images; both
// Apache-2.0, The MediaPipe Authors. Unpacked into one folder.
const Packages = "@mediapipe/pose 0.5.1675469404 and @mediapipe/objectron 0.4.1675468480"

var landmarks = map[string]string{"Identity": "landmarks", "Identity_1": "score", "Identity_3": "heatmap", "Identity_4": "world"}

// Models are all the networks tapeline uses. The detector has no file of its
// own in the package: the packed assets are that file and nothing else.
var Models = []Model{
	{
		Name:         "detector",
		Source:       "pose_solution_packed_assets.data",
		SourceSHA256: "a63c614bef30d35947f13be361820b1e4e3bec9cfeebf4d11216a18373108e85",
		File:         "pose_detection.onnx",
		SHA256:       "20dd4e625d78a2932685e1fc033d35123752234f67d1efb0b20707ca722daf26",
		Outputs:      map[string]string{"Identity": "boxes", "Identity_1": "scores"},
	},
	{
		Name:         "full",
		Source:       "pose_landmark_full.tflite",
		SourceSHA256: "e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
		File:         "pose_full.onnx",
		SHA256:       "4c0e119cc02fe3078e8ee4347b8266b73d7fea34a668cdc0e398e6a0f13c7a21",
		Outputs:      landmarks,
	},
	{
		Name:         "heavy",
		Source:       "pose_landmark_heavy.tflite",
		SourceSHA256: "59e42d71bcd44cbdbabc419f0ff76686595fd265419566bd4009ef703ea8e1fe",
		File:         "pose_heavy.onnx",
		SHA256:       "f3394725bac2886ae3658215704c362ac7a0691232a0a27b5b212bb9addf9680",
		Outputs:      landmarks,
	},
	{
		Name:         "people",
		Source:       "objectron_solution_packed_assets.data",
		Skip:         184, // the list of its kinds of things
		SourceSHA256: "470986ca5df183f41698da6de74b027d838fe289d77b5ab094497d350bee664e",
		File:         "people.onnx",
		SHA256:       "0f81ab18ae786f542847beb17dddc9afc8eb9b099d26db29a254eb65bf5a03c0",
		Outputs:      map[string]string{"raw_outputs/box_encodings": "boxes", "raw_outputs/class_predictions": "scores"},
	},
}

// ErrAltered says that a file is not the one that was pinned.
var ErrAltered = errors.New("SHA-256 differs from the pinned one")

// Convert turns a TFLite model into ONNX (opset 13, batch 1, channels first,
// float32) with the outputs of keep, a map from TFLite's names to ours. It
// never panics on damaged input.
func Convert(tflite []byte, keep map[string]string) (onnx []byte, err error) {
	m, err := parse(tflite)
	if err != nil {
		return nil, err
	}
	// Options of an operator are read while writing.
	defer func() {
		switch e := recover().(type) {
		case nil:
		case malformed:
			onnx, err = nil, fmt.Errorf("%w: %w", errMalformed, e)
		default:
			panic(e)
		}
	}()
	return write(m, keep)
}

// All converts every model from the unpacked npm package in dir from into the
// folder to, skipping those already there and right. Each file appears whole
// under its name or not at all. done is told of each: its name, and whether it
// was already there.
func All(from, to string, done func(m Model, there bool)) error {
	if err := os.MkdirAll(to, 0o755); err != nil {
		return err
	}
	for _, m := range Models {
		there := Check(filepath.Join(to, m.File), m.SHA256) == nil
		if !there {
			if err := m.convert(from, to); err != nil {
				return fmt.Errorf("model %s: %w", m.Name, err)
			}
		}
		if done != nil {
			done(m, there)
		}
	}
	return nil
}

func (m Model) convert(from, to string) error {
	in, err := os.ReadFile(filepath.Join(from, m.Source))
	if err != nil {
		return err
	}
	if h := Sum(in); h != m.SourceSHA256 {
		return fmt.Errorf("%s: %w: %s", m.Source, ErrAltered, h)
	}
	if m.Skip > len(in) {
		return fmt.Errorf("%s: %w", m.Source, errMalformed)
	}
	out, err := Convert(in[m.Skip:], m.Outputs)
	if err != nil {
		return err
	}
	if h := Sum(out); h != m.SHA256 {
		return fmt.Errorf("%s: %w: %s", m.File, ErrAltered, h)
	}
	return writeWhole(filepath.Join(to, m.File), out)
}

// Sum is the SHA-256 of b in hex.
func Sum(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

// Check reads the file and compares its SHA-256 (hex); the error is that of
// the file system or wraps ErrAltered.
func Check(path, sum string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return err
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != sum {
		return fmt.Errorf("%s: %w: %s", filepath.Base(path), ErrAltered, got)
	}
	return nil
}

// writeWhole publishes by temporary file and rename.
func writeWhole(path string, b []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, f.Close(), os.Remove(f.Name()))
		}
	}()
	if _, err = f.Write(b); err != nil {
		return err
	}
	if err = f.Chmod(fs.FileMode(0o644)); err != nil {
		return err
	}
	if err = f.Sync(); err != nil {
		return err
	}
	if err = f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
