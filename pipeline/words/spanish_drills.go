package words

var spanishDrills = map[string]Drill{
	"mirror_tape": {
		Name:   "Espejo, cinta frente a los ojos",
		SetUp:  "Párate de lado frente a un espejo, en tu postura normal. Pega una tira de cinta en el vidrio, a la altura de tus ojos.",
		Do:     "Haz el swing despacio, sin bola. Para donde el bate le pegaría a la bola.",
		Look:   "La visera sigue en la cinta cuando paras.",
		Safety: "Toma el bate solo si no hay nada ni nadie cerca. El espejo queda más lejos de lo que alcanzan el brazo y el bate.",
	},
	"mirror_tape_lower": {
		Name:   "Espejo, empieza más abajo",
		SetUp:  "Pega una tira de cinta en un espejo, a tus ojos en tu postura normal. Bájala lo que dice este plan. Ahora dobla las dos rodillas hasta que tus ojos lleguen a la cinta.",
		Do:     "Empieza desde ahí. Haz el swing despacio, sin bola. Para donde el bate le pegaría a la bola.",
		Look:   "La visera sigue en la cinta cuando paras.",
		Safety: "Toma el bate solo si no hay nada ni nadie cerca. El espejo queda más lejos de lo que alcanzan el brazo y el bate.",
	},
	"mirror_hands": {
		Name:   "Espejo, manos junto al hombro",
		SetUp:  "Párate frente a un espejo en tu postura. Pon el pomo del bate junto al hombro de atrás.",
		Do:     "Mira las manos, cierra los ojos, vuelve a tu postura y mira otra vez. Luego haz el swing despacio, sin bola.",
		Look:   "El pomo empieza a la altura del hombro de atrás, o más arriba.",
		Safety: "El espejo queda más lejos de lo que alcanzan el brazo y el bate.",
	},
	"stride_check": {
		Name:   "Zancada, alto, revisa el pie",
		SetUp:  "Marca una línea en el suelo, de tu pie delantero derecho al lanzador. Deja el bate sobre el hombro.",
		Do:     "Da tu zancada y para. Mira tu zapato. Regresa y hazlo otra vez.",
		Look:   "Los cordones miran al plato, no al lanzador.",
		Safety: "Usa un piso seco y plano, para que el pie no resbale.",
	},
	"stride_pole": {
		Name:   "Zancada junto a un poste",
		SetUp:  "Párate al lado de un poste o del marco de una puerta. Tu nariz queda a su nivel. Este va sin bate.",
		Do:     "Da tu zancada y para. Mira dónde está el poste ahora.",
		Look:   "Tu nariz sigue al nivel del poste.",
		Safety: "Párate a un brazo de distancia del poste.",
	},
	"tee_freeze": {
		Name:   "Tee, congélate en el contacto",
		SetUp:  "Pon la bola en el tee, donde te gusta pegarle.",
		Do:     "Haz el swing despacio y congélate cuando el bate toque la bola. Luego termina el swing y sostenlo.",
		Look:   "Al congelarte, tu nariz está donde empezó.",
		Safety: "Batea hacia una red. Nadie se para delante del tee ni detrás de ti.",
	},
	"tee_deep": {
		Name:   "Tee, más atrás",
		SetUp:  "Mueve el tee hacia el receptor, más o menos hasta la mitad de tu cuerpo.",
		Do:     "Da la zancada, pisa con los cordones mirando al plato y batea hacia la banda contraria.",
		Look:   "El pie delantero sigue mirando al plato cuando el bate le pega a la bola.",
		Safety: "Batea hacia una red. Nadie se para delante del tee ni detrás de ti.",
	},
	"tee_high": {
		Name:   "Tee alto",
		SetUp:  "Sube el tee hasta lo más alto de tu zona de strike. Empieza con el pomo junto al hombro de atrás.",
		Do:     "Batea líneas derecho al frente.",
		Look:   "Las manos empiezan junto al hombro de atrás cada vez.",
		Safety: "Batea hacia una red. Nadie se para delante del tee ni detrás de ti.",
	},
	"tee_number": {
		Name:   "Tee, lee el número",
		SetUp:  "Escribe un número en el tubo del tee, justo debajo de la bola. Un compañero lo cambia.",
		Do:     "Pégale a la bola y lee el número en voz alta antes de levantar la vista.",
		Look:   "Puedes decir el número después de cada swing.",
		Safety: "Batea hacia una red. El compañero cambia el número solo con el bate en el suelo.",
	},
	"tee_hold": {
		Name:   "Tee, sostén el final",
		SetUp:  "Pon la bola en el tee, donde te gusta pegarle.",
		Do:     "Pégale a la bola y congélate como en una foto. Cuenta dos segundos.",
		Look:   "La cabeza y los pies quedan quietos hasta que dices dos.",
		Safety: "Batea hacia una red. Nadie se para delante del tee ni detrás de ti.",
	},
	"soft_toss": {
		Name:   "Bola suave de lado",
		SetUp:  "Un compañero se arrodilla a un lado, fuera del alcance del bate, y lanza la bola suave hacia arriba, delante de ti.",
		Do:     "Batea hacia una red. Piensa lo mismo que en el ejercicio anterior.",
		Look:   "Se ve igual que con el tee.",
		Safety: "El compañero se queda a un lado, nunca delante, y lanza solo cuando estás listo.",
	},
	"front_toss": {
		Name:   "Bola de frente",
		SetUp:  "Un compañero se sienta detrás de una malla, frente a ti, y lanza la bola por debajo.",
		Do:     "Batea la bola de regreso por el centro. Piensa lo mismo que en el ejercicio anterior.",
		Look:   "Se ve igual que con la bola suave de lado.",
		Safety: "Todo el cuerpo del que lanza queda detrás de la malla hasta que la bola sale bateada.",
	},
	"live": {
		Name:   "Lanzador en vivo",
		SetUp:  "Batea contra un lanzador, cuando tu entrenador diga que ya puedes.",
		Do:     "Haz el swing como en un juego. Piensa en una sola cosa, o en nada.",
		Look:   "En un nuevo video tu número está dentro del rango.",
		Safety: "Usa casco. Un entrenador está presente del primer lanzamiento al último.",
	},
}

var spanishCare = map[string]string{
	"local_rules":     "Primero van las reglas de tu campo y el entrenador que está presente.",
	"warm_up":         "Calienta antes del primer swing.",
	"helmet":          "Usa casco en la jaula, y siempre que alguien lance la bola.",
	"one_bat":         "Solo un jugador a la vez tiene un bate en la mano.",
	"clear_radius":    "Todos quedan a {4 m} o más del bateador.",
	"screen":          "Con bola de frente, el que lanza se queda detrás de una malla.",
	"live_with_coach": "El lanzador en vivo va al final, y solo cuando lo dice el entrenador.",
	"pain_stop":       "Si algo duele, para y consulta a un profesional calificado.",
}

var spanishChains = map[string]string{
	"from_tall_stance":   "la postura empieza alta, con las dos rodillas poco dobladas",
	"from_body_sinks":    "la mayor parte de la caída es el cuerpo que baja",
	"from_nod":           "la mayor parte de la caída es la cabeza que se inclina, así que doblar más las rodillas no es el remedio",
	"to_foot_stays_open": "el pie delantero sigue abierto en el contacto",
	"to_hip_opens":       "un pie delantero abierto a menudo hace que la cadera delantera se abra antes de tiempo",
	"to_all_arms":        "eso a menudo deja un swing de puros brazos",
	"to_head_ahead":      "la cabeza queda entonces muy adelante de la rodilla trasera en el contacto",
}
