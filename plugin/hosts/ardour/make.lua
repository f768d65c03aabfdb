-- Makes a session: a track "horn" with the insert, and a MIDI track "notes" fed by the insert's notes.
-- With given.without_insert only the track. Before it stands: given = { folder, name, rate_hz, bpm, look_ahead }
local function log(...) io.stderr:write(table.concat({...}, " "), "\n") end

AudioEngine:set_backend("None (Dummy)", "", "")
local session = create_session(given.folder, given.name, given.rate_hz)
assert(session, "no session")

local map = Temporal.TempoMap.fetch_writable()
map:set_tempo(Temporal.Tempo(given.bpm, given.bpm, 4), Temporal.timepos_t(0))
Temporal.TempoMap.update(map)
map = nil

local last = ARDOUR.PresentationInfo.max_order
local horn = session:new_audio_track(1, 2, nil, 1, "horn", last, ARDOUR.TrackMode.Normal, true):front()
if not given.without_insert then
  local insert = ARDOUR.LuaAPI.new_plugin(session, "Notefront", ARDOUR.PluginType.VST3, "")
  assert(not insert:isnil(), "Ardour does not find the insert")
  horn:add_processor_by_index(insert, 0, nil, true)
end

if given.look_ahead then
  local one = ARDOUR.ChanCount(ARDOUR.DataType("midi"), 1)
  local notes = session:new_midi_track(one, one, true, ARDOUR.PluginInfo(), nil, nil, 1, "notes", last,
    ARDOUR.TrackMode.Normal, true):front()
  notes:input():disconnect_all(nil)
  local from = horn:output():midi(0)
  assert(not from:isnil(), "the insert has no notes to give")
  assert(notes:input():midi(0):connect(from:name()) == 0, "notes cannot be connected")
  log("notes from", from:name())
end

session:save_state("", false, false, false, false, false)
close_session()
quit()
