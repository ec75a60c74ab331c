package sim

import (
	"math"
	"math/rand"

	p "tapeline/pipeline"
)

// Random draws one batter, swing and camera. Shares and ranges are a guess at
// what coaches film (common practice, no source): a third children, a fifth
// left-handed, most from the chest side, one swing in six that is none.
func Random(rng *rand.Rand) Params {
	q := Usual()
	in := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	near := func(mean, sd float64) float64 { return mean + sd*math.Max(-2.5, math.Min(2.5, rng.NormFloat64())) }
	chance := func(share float64) bool { return rng.Float64() < share }

	q.Seed = rng.Int63()
	if chance(.2) {
		q.Bats = p.BatsLeft
	}
	q.Figure = rng.Intn(len(figures))
	q.Stature = math.Max(1.55, near(1.74, .08))
	q.HeadScale, q.LegScale = near(1, .03), near(1, .02)
	if chance(.35) { // a child: larger head, shorter legs
		q.Stature = in(1.25, 1.55)
		young := (1.65 - q.Stature) / .4
		q.HeadScale, q.LegScale = 1+.18*young+near(0, .03), 1-.05*young+near(0, .02)
	}
	q.Size = q.Stature / 1.78 * in(.9, 1.1)
	q.BatLen = math.Min(.86, .84*q.Stature/1.78+near(.04, .02))

	switch u := rng.Float64(); {
	case u < .60:
	case u < .72:
		q.Step = ToeTap
	case u < .86:
		q.Step = LegKick
	default:
		q.Step = NoStep
	}
	switch u := rng.Float64(); {
	case u < .35:
	case u < .80:
		q.Ball = Tee
	default:
		q.Ball = Dry
	}
	switch u := rng.Float64(); {
	case u < .08:
		q.Act, q.Ball = CheckSwing, Pitch
	case u < .16:
		q.Act, q.Ball = Waggle, Dry
	}
	k := q.Stature / 1.78
	q.EyeDrop, q.HeadFwd = in(-1, 10)*k, in(-3, 12)*k
	if chance(.35) { // quiet heads
		q.EyeDrop, q.HeadFwd = in(0, 3)*k, in(-1, 2.5)*k
	}
	q.AtPlant = in(.3, .9)
	q.Nod = in(0, 30)
	q.OpenPlant = in(-5, 70)
	if chance(.4) {
		q.OpenPlant = in(0, 25)
	}
	q.OpenHit = q.OpenPlant
	if chance(.6) {
		q.OpenHit += in(0, 20)
	}
	q.BackRot = in(45, 90)
	q.StrideLen = in(.10, .36) * k
	if q.Step == NoStep {
		q.StrideLen = 0
	}
	q.StrideDir, q.StanceOpen = near(0, 6), near(0, 5)
	q.Crouch = in(.10, .24)
	q.HandsUp = in(-.15, .15)
	q.After = near(1, 2.5)
	q.HeadStill = in(0, 1)
	q.Sway = in(0, .5)
	if chance(.5) {
		q.WaggleBat = in(.3, 1)
	}
	if q.Act == Waggle {
		q.WaggleBat = in(.5, 1.5)
	}
	if q.Ball != Dry {
		q.Slowed = in(.1, .35)
	}
	q.Lead = in(.2, 1.2)
	if chance(.15) {
		q.WalkIn = in(.8, 1.6)
	}
	q.Load = in(.3, .7)
	q.Plant = q.Load + in(.3, .9)
	if q.Step == ToeTap {
		q.Plant = q.Load + in(.6, 1)
	}
	q.Delay = in(.13, .25)
	q.Hold = in(.2, 1.8)
	if chance(.3) {
		q.WalkOut = in(.5, 1)
	}

	switch u := rng.Float64(); {
	case u < .45:
	case u < .65:
		q.View = p.ViewPitcher
	case u < .85:
		q.View = p.ViewBack
	default:
		q.View = p.ViewCatcher
	}
	q.YawOff = near(0, 8)
	q.Distance = in(3.2, 6.5)
	if !(q.View == p.ViewChest || q.View == p.ViewBack) {
		q.Distance = in(4.2, 8)
	}
	q.CamHeight = near(1.3, .2)
	q.Target = near(1, .1)
	q.FOV = near(62, 5)
	q.Shake = in(0, 2)
	q.Width, q.Height = 1280, 720
	if chance(.4) {
		q.Width, q.Height = 1920, 1080
	}
	if chance(.25) && q.Distance > 4.5 {
		q.Width, q.Height = q.Height, q.Width
	}
	q.FPS = 30
	if chance(.6) {
		q.FPS = 60
	}
	if chance(.1) {
		q.FPS = 120
	}
	q.Exposure = in(.05, .5)
	return grounded(q)
}

// Clean makes the swing of q one without a fault, by a margin: what the rules
// would praise.
func Clean(q Params, rng *rand.Rand) Params {
	in := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	q.Act = FullSwing
	q.EyeDrop, q.HeadFwd, q.AtPlant = in(0, 2), in(-1, 1), in(.4, .8)
	q.OpenPlant = in(0, 20)
	q.OpenHit = q.OpenPlant + in(0, 10)
	q.After, q.HeadStill = in(-1, 1), in(.85, 1)
	q.HandsUp, q.Hold, q.WalkOut = in(.08, .18), in(1, 1.8), 0
	q = grounded(q)
	// How far forward the head may come depends on the knees.
	for range 8 {
		o := newBatter(q).pose(q.contactAt())
		eye, back, front := (o.eye[0][0]+o.eye[1][0])/2, o.knee[right][0], o.knee[left][0]
		if eye-back < .15*(front-back) {
			break
		}
		q.HeadFwd--
	}
	return grounded(q)
}

// grounded bends the knees of a batter until the legs reach from the hips to
// where the feet stand.
func grounded(q Params) Params {
	for ; q.Crouch < .5; q.Crouch += .02 {
		b, torn := newBatter(q), 0.0
		for t := 0.0; t < q.duration(); t += .03 {
			torn = math.Max(torn, b.pose(t).short)
		}
		if torn < .03 {
			break
		}
	}
	return q
}
