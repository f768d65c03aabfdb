-- Opens a session, saves it and closes it again. Before it stands: given = { folder, name }
AudioEngine:set_backend("None (Dummy)", "", "")
local session = load_session(given.folder, given.name)
assert(session, "no session")
ARDOUR.LuaAPI.usleep(1000000)
session:save_state("", false, false, false, false, false)
close_session()
quit()
