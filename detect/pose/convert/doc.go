// Package convert makes the models ready for ONNX Runtime, once, at
// set-up. A model goes through these stages:
//
//  1. read     the TensorFlow Lite flatbuffer → tensors and operators
//  2. prune    only what the wanted outputs need stays (no segmentation)
//  3. write    channels-last becomes channels-first, fp16 weights become fp32,
//     explicit paddings join the convolution behind them → ONNX
//
// It knows only the operators of the models in [Models] and refuses any other.
// The pinned hashes of what goes in and what comes out live here, so that
// set-up and [tapeline/detect/pose] check against one list.
package convert
