package words

var spanishMail = map[string]string{
	"subject":    "%s, %s",
	"hello":      "Hola:",
	"intro_name": "Aquí está la lección de bateo de %s, grabada el %s. Es más bonito leerla en familia.",
	"intro":      "Aquí está una lección de bateo, grabada el %s. Es más bonito leerla junto con el jugador.",
	"alt":        "Fotos del swing, desde la postura hasta el final.",
	"pictures":   "El swing en fotos",

	"film_here":      "El video va adjunto.",
	"film_waits":     "El video lo guarda tu entrenador. Pídele verlo.",
	"film_too_large": "El video es muy grande para un correo. Lo guarda tu entrenador. Pídele verlo.",

	"doctor": "Si algo duele, para y consulta a un profesional calificado. Esta carta no da diagnósticos.",
	"share":  "Las fotos muestran a un jugador que puede ser menor de edad. Compártelas solo como lo acordaste con la academia.",

	"reply":     "Preguntas",
	"answer":    "Responde a este correo. Lo lee tu entrenador.",
	"stop":      "Recibes esta carta porque aceptaste las lecciones por correo. Lo puedes cambiar cuando quieras: responde con la palabra alto.",
	"stop_link": "O usa esta página:",
}
