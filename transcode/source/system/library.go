//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"errors"
	"fmt"
	"math"
	"unsafe"

	"github.com/ebitengine/purego"
)

// Built says whether this program has the part that loads the libraries.
const Built = true

// object is a pointer to something of the libraries; 0 is none.
type object = uintptr

// The functions of the libraries that are used, under their own names without
// the prefix gst_. What they return belongs to the caller only where a comment
// says so (GStreamer 1.0 API reference).
var (
	free      func(unsafe.Pointer) // g_free
	errorFree func(unsafe.Pointer) // g_error_free
	quarkText func(uint32) string  // g_quark_to_string

	initCheck     func(argc, argv uintptr, err *unsafe.Pointer) bool
	version       func(major, minor, micro, nano *uint32)
	filenameToURI func(path string, err *unsafe.Pointer) unsafe.Pointer // to be freed
	parseLaunch   func(text string, err *unsafe.Pointer) object         // to be released
	binGetByName  func(bin object, name string) object                  // to be released
	setObjectArg  func(o object, name, value string)
	objectUnref   func(object)
	miniUnref     func(unsafe.Pointer)
	miniRef       func(unsafe.Pointer) unsafe.Pointer

	elementSetState   func(e object, state int32) int32
	elementGetState   func(e object, state, pending *int32, timeout uint64) int32
	elementGetBus     func(e object) object              // to be released
	elementGetPad     func(e object, name string) object // to be released
	elementMetadata   func(e object, key string) string
	elementQueryDur   func(e object, format int32, value *int64) bool
	elementSeek       func(e object, format, flags int32, position int64) bool
	busPop            func(bus object, timeout uint64, types uint32) *gstMessage // to be released
	messageParseError func(msg *gstMessage, err, debug *unsafe.Pointer)          // both to be freed
	messageParseQoS   func(msg *gstMessage, format *int32, processed, dropped *uint64)
	padGetStreamID    func(pad object) unsafe.Pointer // to be freed
	padAddProbe       func(pad object, mask uint32, callback, data, free uintptr) uint64
	queryAddMeta      func(query *gstQuery, metaType, params uintptr)
	objectName        func(object) unsafe.Pointer // to be freed
	signalConnect     func(o object, signal string, callback, data, free uintptr, flags int32) uint64
	videoMetaType     func() uintptr

	appSinkPull    func(sink object, timeout uint64) unsafe.Pointer // to be released
	appSinkPreroll func(sink object, timeout uint64) unsafe.Pointer // to be released
	appSinkEnded   func(sink object) bool
	sampleBuffer   func(sample unsafe.Pointer) *gstBuffer
	sampleCaps     func(sample unsafe.Pointer) unsafe.Pointer
	sampleSegment  func(sample unsafe.Pointer) *gstSegment
	toRunningTime  func(segment *gstSegment, format int32, position uint64) uint64
	toStreamTime   func(segment *gstSegment, format int32, position uint64) uint64
	bufferMap      func(b *gstBuffer, m *gstMap, flags int32) bool
	bufferUnmap    func(b *gstBuffer, m *gstMap)

	capsFromString  func(text string) unsafe.Pointer         // to be released
	capsToString    func(caps unsafe.Pointer) unsafe.Pointer // to be freed
	capsStructure   func(caps unsafe.Pointer, index uint32) unsafe.Pointer
	capsIsSubset    func(sub, super unsafe.Pointer) bool
	structureName   func(s unsafe.Pointer) string
	structureString func(s unsafe.Pointer, field string) string
	structureInt    func(s unsafe.Pointer, field string, value *int32) bool
	structureHas    func(s unsafe.Pointer, field string) bool
	tagListString   func(tags unsafe.Pointer, tag string, value *unsafe.Pointer) bool // to be freed

	videoInfoFromCaps func(info *videoInfo, caps unsafe.Pointer) bool
	videoFrameMap     func(f *videoFrame, info *videoInfo, b *gstBuffer, flags int32) bool
	videoFrameUnmap   func(f *videoFrame)

	discovererNew      func(timeout uint64, err *unsafe.Pointer) object       // to be released
	discovererDiscover func(d object, uri string, err *unsafe.Pointer) object // to be released
	infoResult         func(info object) int32
	infoDuration       func(info object) uint64
	infoMissing        func(info object) **byte // ends with nil
	infoSeekable       func(info object) bool
	infoStream         func(info object) object   // to be released
	infoVideos         func(info object) *gstList // to be freed by streamsFree
	infoTracks         func(info object) *gstList // the same
	streamsFree        func(*gstList)
	streamCaps         func(s object) unsafe.Pointer // to be released
	streamTags         func(s object) unsafe.Pointer
	streamID           func(s object) string
	videoWidth         func(s object) uint32
	videoHeight        func(s object) uint32
	videoParNum        func(s object) uint32
	videoParDen        func(s object) uint32
	videoRateNum       func(s object) uint32
	videoRateDen       func(s object) uint32
	videoInterlaced    func(s object) bool
	videoIsImage       func(s object) bool
	audioRate          func(s object) uint32
	audioChannels      func(s object) uint32
	audioLanguage      func(s object) string
	codecDescription   func(caps unsafe.Pointer) unsafe.Pointer // to be freed

	registryGet     func() object
	registryFeature func(registry object, name string) object // to be released
	featureSetRank  func(feature object, rank uint32)
	factoriesOfType func(kind uint64, minRank int32) unsafe.Pointer                              // to be freed by featuresFree
	factoriesFilter func(list, caps unsafe.Pointer, direction int32, subset bool) unsafe.Pointer // the same
	featuresFree    func(unsafe.Pointer)
)

// functions by the library that has them.
var functions = map[string]map[string]any{
	"glib-2.0": {
		"g_free": &free, "g_error_free": &errorFree, "g_quark_to_string": &quarkText,
	},
	"gobject-2.0": {"g_signal_connect_data": &signalConnect},
	"gstreamer-1.0": {
		"gst_init_check": &initCheck, "gst_version": &version, "gst_filename_to_uri": &filenameToURI,
		"gst_parse_launch": &parseLaunch, "gst_bin_get_by_name": &binGetByName, "gst_util_set_object_arg": &setObjectArg,
		"gst_object_unref": &objectUnref, "gst_mini_object_unref": &miniUnref, "gst_mini_object_ref": &miniRef,
		"gst_element_set_state": &elementSetState, "gst_element_get_state": &elementGetState,
		"gst_element_get_bus": &elementGetBus, "gst_element_get_static_pad": &elementGetPad,
		"gst_element_get_metadata":   &elementMetadata,
		"gst_element_query_duration": &elementQueryDur, "gst_element_seek_simple": &elementSeek,
		"gst_bus_timed_pop_filtered": &busPop, "gst_message_parse_error": &messageParseError, "gst_message_parse_qos_stats": &messageParseQoS,
		"gst_pad_get_stream_id": &padGetStreamID, "gst_pad_add_probe": &padAddProbe, "gst_query_add_allocation_meta": &queryAddMeta,
		"gst_object_get_name":   &objectName,
		"gst_sample_get_buffer": &sampleBuffer, "gst_sample_get_caps": &sampleCaps, "gst_sample_get_segment": &sampleSegment,
		"gst_segment_to_running_time": &toRunningTime, "gst_segment_to_stream_time": &toStreamTime,
		"gst_buffer_map": &bufferMap, "gst_buffer_unmap": &bufferUnmap,
		"gst_caps_from_string": &capsFromString, "gst_caps_to_string": &capsToString, "gst_caps_get_structure": &capsStructure,
		"gst_caps_is_subset":     &capsIsSubset,
		"gst_structure_get_name": &structureName, "gst_structure_get_string": &structureString,
		"gst_structure_get_int": &structureInt, "gst_structure_has_field": &structureHas,
		"gst_tag_list_get_string": &tagListString,
		"gst_registry_get":        &registryGet, "gst_registry_lookup_feature": &registryFeature,
		"gst_plugin_feature_set_rank": &featureSetRank, "gst_plugin_feature_list_free": &featuresFree,
		"gst_element_factory_list_get_elements": &factoriesOfType, "gst_element_factory_list_filter": &factoriesFilter,
	},
	"gstapp-1.0": {
		"gst_app_sink_try_pull_sample": &appSinkPull, "gst_app_sink_try_pull_preroll": &appSinkPreroll, "gst_app_sink_is_eos": &appSinkEnded,
	},
	"gstvideo-1.0": {
		"gst_video_meta_api_get_type": &videoMetaType, "gst_video_info_from_caps": &videoInfoFromCaps, "gst_video_frame_map": &videoFrameMap, "gst_video_frame_unmap": &videoFrameUnmap,
	},
	"gstpbutils-1.0": {
		"gst_discoverer_new": &discovererNew, "gst_discoverer_discover_uri": &discovererDiscover,
		"gst_discoverer_info_get_result": &infoResult, "gst_discoverer_info_get_duration": &infoDuration,
		"gst_discoverer_info_get_missing_elements_installer_details": &infoMissing,
		"gst_discoverer_info_get_seekable":                           &infoSeekable, "gst_discoverer_info_get_stream_info": &infoStream,
		"gst_discoverer_info_get_video_streams": &infoVideos, "gst_discoverer_info_get_audio_streams": &infoTracks,
		"gst_discoverer_stream_info_list_free": &streamsFree, "gst_discoverer_stream_info_get_caps": &streamCaps,
		"gst_discoverer_stream_info_get_tags": &streamTags, "gst_discoverer_stream_info_get_stream_id": &streamID,
		"gst_discoverer_video_info_get_width": &videoWidth, "gst_discoverer_video_info_get_height": &videoHeight,
		"gst_discoverer_video_info_get_par_num": &videoParNum, "gst_discoverer_video_info_get_par_denom": &videoParDen,
		"gst_discoverer_video_info_get_framerate_num": &videoRateNum, "gst_discoverer_video_info_get_framerate_denom": &videoRateDen,
		"gst_discoverer_video_info_is_interlaced": &videoInterlaced, "gst_discoverer_video_info_is_image": &videoIsImage,
		"gst_discoverer_audio_info_get_sample_rate": &audioRate, "gst_discoverer_audio_info_get_channels": &audioChannels,
		"gst_discoverer_audio_info_get_language": &audioLanguage,
		"gst_pb_utils_get_codec_description":     &codecDescription,
	},
}

// Structures of the libraries on 64-bit systems, as far as they are read
// (headers of GStreamer 1.22; a test compares the offsets). Their layout is part
// of the interface that stays the same throughout 1.x.
type gstBuffer struct {
	_        [16]byte
	flags    uint32 // of GstMiniObject
	_        [52]byte
	pts      uint64 // at 72; noTime for none
	_        uint64
	duration uint64 // at 88
}

type gstMessage struct {
	_    [64]byte
	kind uint32
}

type gstSegment struct {
	_    [32]byte
	base uint64 // at 32: running time at start
	_    [24]byte
	time uint64 // at 64: stream time at start
	_    [48]byte
}

type gstProbe struct { // GstPadProbeInfo
	_     [16]byte
	query *gstQuery
}

type gstQuery struct {
	_    [64]byte
	kind uint32
}

type gstList struct {
	data object
	next *gstList
}

type gError struct {
	domain  uint32
	code    int32
	message *byte
}

type gstMap struct {
	_    [16]byte
	data *byte
	size uintptr
	_    [72]byte
}

type videoInfo struct {
	_             [16]byte
	width, height int32
	_             [16]byte
	colour        struct{ rng, matrix, transfer, primaries int32 } // at 40
	parN, parD    int32
	_             [40]byte
	stride        [4]int32 // at 104
	_             [32]byte
}

type videoFrame struct {
	info videoInfo
	_    [32]byte
	data [4]*byte // at 184
	_    [4]gstMap
	_    [4]uintptr
}

const (
	noTime     = math.MaxUint64
	formatTime = 3 // GST_FORMAT_TIME

	statePaused, statePlaying = 3, 4
	stateFailure, stateAsync  = 0, 2 // what changing the state returns

	messageError, messageQoS = 1 << 1, 1 << 24

	bufferCorrupted = 1 << 8 // GST_BUFFER_FLAG_CORRUPTED

	mapRead = 1
)

// load loads the libraries and prepares them.
func load() (err error) {
	defer func() {
		if r := recover(); r != nil { // purego says so that a function is not there
			err = fmt.Errorf("%v", r)
		}
	}()
	for _, name := range []string{"glib-2.0", "gobject-2.0", "gstreamer-1.0", "gstapp-1.0", "gstvideo-1.0", "gstpbutils-1.0"} {
		handle, err := openLibrary(name)
		if err != nil {
			return err
		}
		for symbol, fn := range functions[name] {
			purego.RegisterLibFunc(fn, handle, symbol)
		}
	}
	var gerr unsafe.Pointer
	if !initCheck(0, 0, &gerr) {
		if gerr != nil {
			return errors.New(takeError(gerr).text)
		}
		return errors.New("gst_init_check failed")
	}
	stayLocal()
	return nil
}

// stayLocal keeps a file from sending the libraries to the network: what reads
// lists of addresses is not chosen for it.
func stayLocal() {
	for _, name := range []string{"hlsdemux", "hlsdemux2", "dashdemux", "dashdemux2", "mssdemux", "mssdemux2", "sdpdemux", "sdpsrc", "rtspsrc",
		"souphttpsrc", "curlhttpsrc", "neonhttpsrc", "giosrc", "rtmpsrc", "rtmp2src", "srtsrc", "udpsrc", "tcpclientsrc"} {
		if feature := registryFeature(registryGet(), name); feature != 0 {
			featureSetRank(feature, 0)
			objectUnref(feature)
		}
	}
}

// A problem is a GError.
type problem struct {
	domain string
	code   int32
	text   string
}

// takeError reads a GError and frees it.
func takeError(p unsafe.Pointer) problem {
	e := (*gError)(p)
	defer errorFree(p)
	return problem{quarkText(e.domain), e.code, text(e.message)}
}

// text copies a C string.
func text(p *byte) string {
	if p == nil {
		return ""
	}
	n := 0
	for *(*byte)(unsafe.Add(unsafe.Pointer(p), n)) != 0 {
		n++
	}
	return string(unsafe.Slice(p, n))
}

// texts copies the strings of a list that ends with nil.
func texts(p **byte) (list []string) {
	for ; p != nil && *p != nil; p = (**byte)(unsafe.Add(unsafe.Pointer(p), unsafe.Sizeof(*p))) {
		list = append(list, text(*p))
	}
	return list
}

// take copies a C string and frees it.
func take(p unsafe.Pointer) string {
	if p == nil {
		return ""
	}
	defer free(p)
	return text((*byte)(p))
}
