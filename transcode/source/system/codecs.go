package system

// codec is a coding that files hold.
type codec struct {
	name string
	caps string // as the libraries name it
}

// videoCodecs and soundCodecs are those that a person may have files of. Where
// one has several caps, the first is what decides whether there is a decoder.
var videoCodecs = []codec{
	{"H.264", "video/x-h264"},
	{"HEVC", "video/x-h265"},
	{"AV1", "video/x-av1"},
	{"VP8", "video/x-vp8"},
	{"VP9", "video/x-vp9"},
	{"MPEG-4", "video/mpeg, mpegversion=(int)4, systemstream=(boolean)false"},
	{"MPEG-4", "video/x-divx, divxversion=(int)[4,5]"},
	{"MPEG-4", "video/x-xvid"},
	{"MPEG-2", "video/mpeg, mpegversion=(int)2, systemstream=(boolean)false"},
	{"MPEG-1", "video/mpeg, mpegversion=(int)1, systemstream=(boolean)false"},
	{"DivX 3", "video/x-divx, divxversion=(int)3"},
	{"Motion JPEG", "image/jpeg"},
	{"ProRes", "video/x-prores"},
	{"DV", "video/x-dv, systemstream=(boolean)false"},
	{"Theora", "video/x-theora"},
	{"Windows Media Video", "video/x-wmv"},
	{"H.263", "video/x-h263"},
	{"Cinepak", "video/x-cinepak"},
	{"FFV1", "video/x-ffv, ffvversion=(int)1"},
	{"PNG", "image/png"},
}

var soundCodecs = []codec{
	{"AAC", "audio/mpeg, mpegversion=(int)4"},
	{"AAC", "audio/mpeg, mpegversion=(int)2"},
	{"MP3", "audio/mpeg, mpegversion=(int)1, layer=(int)3"},
	{"MPEG layer II", "audio/mpeg, mpegversion=(int)1, layer=(int)2"},
	{"Opus", "audio/x-opus"},
	{"Vorbis", "audio/x-vorbis"},
	{"FLAC", "audio/x-flac"},
	{"ALAC", "audio/x-alac"},
	{"AC-3", "audio/x-ac3"},
	{"E-AC-3", "audio/x-eac3"},
	{"DTS", "audio/x-dts"},
	{"Windows Media Audio", "audio/x-wma"},
	{"PCM", "audio/x-raw"},
}

// containers in words, by what the libraries call them.
var containers = []codec{
	{"MP4", "video/quicktime, variant=(string)iso"},
	{"MP4", "video/quicktime, variant=(string)iso-fragmented"},
	{"3GP", "video/quicktime, variant=(string)3gpp"},
	{"QuickTime", "video/quicktime"},
	{"MP4", "audio/x-m4a"},
	{"WebM", "video/webm"},
	{"WebM", "audio/webm"},
	{"Matroska", "video/x-matroska"},
	{"Matroska", "audio/x-matroska"},
	{"AVI", "video/x-msvideo"},
	{"MPEG-TS", "video/mpegts"},
	{"MPEG-PS", "video/mpeg, systemstream=(boolean)true"},
	{"Ogg", "application/ogg"},
	{"Ogg", "audio/ogg"},
	{"Ogg", "video/ogg"},
	{"FLV", "video/x-flv"},
	{"Windows Media", "video/x-ms-asf"},
	{"MXF", "application/mxf"},
	{"WAV", "audio/x-wav"},
	{"AIFF", "audio/x-aiff"},
}
