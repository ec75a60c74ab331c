package words

var spanishLeaving = map[string]string{
	"film_too_large": "El vídeo no puede hacerse lo bastante pequeño para un correo. Se queda con usted; las fotos pueden salir.",
	"alone":          "En %d fotos no se vio a nadie más que al bateador.",
	"seen":           "Se vio a alguien además del bateador en %d de %d fotos: la lección espera su decisión. Mire el vídeo y prepárelo otra vez con --others blur o --others allow.",
	"hidden":         "Se ocultó a alguien además del bateador en %d de %d fotos. Mire el vídeo antes de que salga.",
	"not_hidden":     "Todavía se distingue a alguien además del bateador en %d de %d fotos: la lección espera su decisión.",
	"allowed":        "Se vio a alguien además del bateador en %d de %d fotos y se dejó como está.",
}
