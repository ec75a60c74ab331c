package pipeline

// Look is how a long recording is looked through: pictures in grey, their
// longer side at most Side pixels, at most Rate a second of presentation time.
// Frame.Pix has one byte a pixel, the luma, 0 black and 255 white.
//
// Begin is called for every stretch of the recording, in order; stretches may be
// looked through side by side, each on a goroutine of its own. from and to are
// presentation seconds. each then gets the stretch's pictures in order of time,
// and before them, for whoever compares a picture with the last, some from
// before from. The frame is valid until each returns; its error ends the looking.
type Look struct {
	Side  int
	Rate  float64
	Begin func(from, to float64) (each func(f *Frame) error)
}
