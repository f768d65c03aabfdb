-- Plays a session from its start for a while, and records the track "notes".
-- Before it stands: given = { folder, name, seconds }
local function log(...) io.stderr:write(table.concat({...}, " "), "\n") end
local function sleep(s) ARDOUR.LuaAPI.usleep(math.floor(s * 1e6)) end

AudioEngine:set_backend("None (Dummy)", "", "")
local session = load_session(given.folder, given.name)
assert(session, "no session")
local by = ARDOUR.TransportRequestSource.TRS_UI

for track in session:get_tracks():iter() do
  if track:name() == "notes" then
    track:to_track():rec_enable_control():set_value(1, PBD.GroupControlDisposition.NoGroup)
  end
end
session:maybe_enable_record(false)
local insert
for route in session:get_routes():iter() do
  local processor = route:nth_plugin(0)
  if not processor:isnil() then insert = processor end
end
sleep(2)
log("delay", tostring(insert:to_plugininsert():signal_latency()), "samples")
session:request_locate(0, false, ARDOUR.LocateTransportDisposition.MustStop, by)
sleep(0.5)
session:request_roll(by)
sleep(given.seconds)
log("rolled to", tostring(session:transport_sample()))
session:request_stop(false, false, by)
sleep(2)
session:save_state("", false, false, false, false, false)
close_session()
quit()
