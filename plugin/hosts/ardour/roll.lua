-- Plays a session from a place for a while, and records the armed notes.
-- Before it stands: given = { folder, name, from, seconds, look_ahead }
local function log(...) io.stderr:write(table.concat({...}, " "), "\n") end
local function sleep(s) ARDOUR.LuaAPI.usleep(math.floor(s * 1e6)) end

AudioEngine:set_backend("None (Dummy)", "", "")
local session = load_session(given.folder, given.name)
assert(session, "no session")
local by = ARDOUR.TransportRequestSource.TRS_UI

if given.look_ahead then
  for track in session:get_tracks():iter() do
    if track:name() == "notes" then
      track:to_track():rec_enable_control():set_value(1, PBD.GroupControlDisposition.NoGroup)
    end
  end
  session:maybe_enable_record(false)
end
local insert
for route in session:get_routes():iter() do
  local processor = route:nth_plugin(0)
  if not processor:isnil() then insert = processor end
end
if given.off_and_on then
  insert:deactivate()
  sleep(1)
  insert:activate()
end
sleep(2)
log("delay", tostring(insert:to_plugininsert():signal_latency()), "samples")
session:request_locate(given.from, false, ARDOUR.LocateTransportDisposition.MustStop, by)
sleep(0.5)
session:request_roll(by)
sleep(given.seconds)
log("rolled to", tostring(session:transport_sample()))
session:request_stop(false, false, by)
sleep(2)
session:save_state("", false, false, false, false, false)
close_session()
quit()
