package sim

// figure is a body at rest, arms half down, facing −y: joint centres and the
// landmarks of the left side (the right is its mirror image in x), as shares
// of standing height.
type figure struct {
	pelvis, spine1, spine2, spine3, neck, head, nose vec
	clavicle, shoulder, elbow, wrist, middle, thumb  vec
	hip, knee, ankle, ball                           vec
	eye, ear, heel, toe, index, pinky, mouth         vec
}

// figures are three adult bodies. Their numbers were read off MakeHuman's base
// mesh, rig and body shapes (assets released CC0 1.0), shod.
var figures = [3]figure{
	{
		pelvis:   vec{0, -0.00383, 0.54137},
		spine1:   vec{0, 0.01435, 0.59114},
		spine2:   vec{0, 0.00899, 0.63113},
		spine3:   vec{0, 0.0137, 0.66588},
		neck:     vec{0, -0.00852, 0.86191},
		head:     vec{0, -0.02663, 0.91655},
		nose:     vec{0, -0.09977, 0.91527},
		clavicle: vec{0.01309, -0.01516, 0.8193},
		shoulder: vec{0.10663, -0.01214, 0.8025},
		elbow:    vec{0.20133, -0.01089, 0.69392},
		wrist:    vec{0.27667, -0.1172, 0.62227},
		middle:   vec{0.30461, -0.16666, 0.59224},
		thumb:    vec{0.26447, -0.15839, 0.61375},
		hip:      vec{0.0622, 0.00217, 0.53827},
		knee:     vec{0.08643, -0.01743, 0.29681},
		ankle:    vec{0.11127, -0.01072, 0.05037},
		ball:     vec{0.11285, -0.08314, 0.01411},
		eye:      vec{0.01661, -0.08302, 0.93858},
		ear:      vec{0.04274, -0.02808, 0.92955},
		heel:     vec{0.11348, 0.02536, 0.01685},
		toe:      vec{0.10898, -0.12496, 0.01685},
		index:    vec{0.29422, -0.17738, 0.59946},
		pinky:    vec{0.30998, -0.14398, 0.58087},
		mouth:    vec{0.01348, -0.08741, 0.89392},
	},
	{
		pelvis:   vec{0, -0.00382, 0.54262},
		spine1:   vec{0, 0.01433, 0.59175},
		spine2:   vec{0, 0.009, 0.6317},
		spine3:   vec{0, 0.0137, 0.66641},
		neck:     vec{0, -0.00844, 0.86219},
		head:     vec{0, -0.02672, 0.91816},
		nose:     vec{0, -0.09428, 0.91619},
		clavicle: vec{0.01311, -0.01573, 0.81964},
		shoulder: vec{0.10648, -0.01206, 0.80286},
		elbow:    vec{0.20104, -0.01081, 0.69439},
		wrist:    vec{0.28055, -0.12659, 0.61721},
		middle:   vec{0.30782, -0.17603, 0.58631},
		thumb:    vec{0.26817, -0.16771, 0.60838},
		hip:      vec{0.0621, 0.0022, 0.53952},
		knee:     vec{0.08602, -0.01737, 0.31051},
		ankle:    vec{0.11812, -0.00995, 0.05147},
		ball:     vec{0.12143, -0.08323, 0.01494},
		eye:      vec{0.01599, -0.0799, 0.94018},
		ear:      vec{0.0406, -0.02799, 0.93026},
		heel:     vec{0.11922, 0.02581, 0.01685},
		toe:      vec{0.11809, -0.12517, 0.01685},
		index:    vec{0.2975, -0.18663, 0.59371},
		pinky:    vec{0.31353, -0.15326, 0.57556},
		mouth:    vec{0.01348, -0.08192, 0.89485},
	},
	{
		pelvis:   vec{0, 0.0028, 0.53074},
		spine1:   vec{0, 0.02125, 0.58203},
		spine2:   vec{0, 0.01659, 0.62199},
		spine3:   vec{0, 0.0221, 0.65528},
		neck:     vec{0, -0.00251, 0.85222},
		head:     vec{0, -0.0285, 0.9075},
		nose:     vec{0, -0.0938, 0.91158},
		clavicle: vec{0.01289, -0.00697, 0.80951},
		shoulder: vec{0.1071, -0.00606, 0.79125},
		elbow:    vec{0.20239, -0.00478, 0.68234},
		wrist:    vec{0.27853, -0.11188, 0.61052},
		middle:   vec{0.306, -0.16154, 0.57962},
		thumb:    vec{0.26594, -0.15326, 0.60176},
		hip:      vec{0.06197, 0.00914, 0.52841},
		knee:     vec{0.0874, -0.01098, 0.28764},
		ankle:    vec{0.10971, -0.00515, 0.04988},
		ball:     vec{0.11176, -0.07471, 0.01419},
		eye:      vec{0.01792, -0.08133, 0.93461},
		ear:      vec{0.04517, -0.02703, 0.92511},
		heel:     vec{0.11116, 0.03066, 0.01685},
		toe:      vec{0.1071, -0.11513, 0.01685},
		index:    vec{0.29583, -0.17246, 0.58697},
		pinky:    vec{0.31195, -0.13889, 0.56861},
		mouth:    vec{0.01348, -0.08144, 0.89023},
	},
}
