//! CLAP's entry point, and what stands between the host and the framework there.
//!
//! In CLAP a delay changes only while the plug-in is activated (`ext/latency.h`). nice-plug 0.4.2 asks for a restart when another
//! delay is set as it should, but (1) where the host deactivates the plug-in before its main thread has come round to that, it
//! says `latency.changed` outside activation, which a public validator fails; (2) tells the delay to come at once; and (3) asks
//! for a restart when a plug-in is activated with another delay than before, though it is being activated right then. So
//! the framework's own entry point is not used: each instance is handed out behind a [`Door`], which lets the
//! framework do what waits for the main thread before it is deactivated, tells the delay as of the last activation, and
//! tells the framework and the host a new one while it activates.
#![allow(unsafe_code, missing_docs)]

use super::activation;
use super::plugin::Notefront;
use clap_sys::ext::latency::{CLAP_EXT_LATENCY, clap_host_latency, clap_plugin_latency};
use nice_plug::wrapper::clap::{
    CLAP_PLUGIN_FACTORY_ID, CLAP_VERSION, PluginDescriptor, Wrapper, clap_host, clap_plugin, clap_plugin_descriptor,
    clap_plugin_entry, clap_plugin_factory,
};
use std::ffi::{CStr, c_char, c_void};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, OnceLock};

#[unsafe(no_mangle)]
#[used]
pub static clap_entry: clap_plugin_entry = clap_plugin_entry {
    clap_version: CLAP_VERSION,
    init: Some(init),
    deinit: Some(deinit),
    get_factory: Some(get_factory),
};

static FACTORY: clap_plugin_factory = clap_plugin_factory {
    get_plugin_count: Some(get_plugin_count),
    get_plugin_descriptor: Some(get_plugin_descriptor),
    create_plugin: Some(create_plugin),
};

static LATENCY: clap_plugin_latency = clap_plugin_latency { get: Some(latency) };

extern "C" fn init(_path: *const c_char) -> bool {
    nice_plug::wrapper::setup_logger::<Notefront>();
    true
}

extern "C" fn deinit() {}

extern "C" fn get_factory(id: *const c_char) -> *const c_void {
    // SAFETY: a host gives a text or null.
    let is_ours = !id.is_null() && unsafe { CStr::from_ptr(id) } == CLAP_PLUGIN_FACTORY_ID;
    if is_ours { (&raw const FACTORY).cast() } else { std::ptr::null() }
}

fn descriptor() -> &'static PluginDescriptor {
    static DESCRIPTOR: OnceLock<PluginDescriptor> = OnceLock::new();
    DESCRIPTOR.get_or_init(PluginDescriptor::for_plugin::<Notefront>)
}

unsafe extern "C" fn get_plugin_count(_factory: *const clap_plugin_factory) -> u32 {
    1
}

unsafe extern "C" fn get_plugin_descriptor(
    _factory: *const clap_plugin_factory,
    index: u32,
) -> *const clap_plugin_descriptor {
    if index == 0 { descriptor().clap_plugin_descriptor() } else { std::ptr::null() }
}

unsafe extern "C" fn create_plugin(
    _factory: *const clap_plugin_factory,
    host: *const clap_host,
    id: *const c_char,
) -> *const clap_plugin {
    // SAFETY: a host gives a text or null.
    if host.is_null() || id.is_null() || unsafe { CStr::from_ptr(id) } != descriptor().clap_id() {
        return std::ptr::null();
    }
    // SAFETY: as the framework's own entry point makes an instance; `destroy` takes the count back.
    let inner: *const clap_plugin =
        unsafe { (*Arc::into_raw(Wrapper::<Notefront>::new(host))).clap_plugin.as_ptr().cast_const() };
    // SAFETY: it was just made.
    Door::before(unsafe { *inner }, inner, host)
}

/// An instance as the host holds it: the framework's table of functions, four of them ours.
#[repr(C)]
struct Door {
    /// First, so that a pointer to it is one to the whole.
    table: clap_plugin,
    inner: *const clap_plugin,
    host: *const clap_host,
    activating: AtomicBool,
    /// The delay as of the last activation, samples.
    delay: AtomicU32,
}

impl Door {
    fn before(framework: clap_plugin, inner: *const clap_plugin, host: *const clap_host) -> *const clap_plugin {
        let table = clap_plugin {
            destroy: Some(destroy),
            activate: Some(activate),
            deactivate: Some(deactivate),
            get_extension: Some(get_extension),
            ..framework
        };
        let door = Self { table, inner, host, activating: AtomicBool::new(false), delay: AtomicU32::new(0) };
        Box::into_raw(Box::new(door)).cast_const().cast()
    }

    /// Tells the host that the delay is another one.
    ///
    /// # Safety
    /// The host activates the instance, on its main thread.
    unsafe fn tell_host(&self) {
        // SAFETY: the host's table lives as long as the instance, and its extension is of this kind.
        unsafe {
            let Some(get_extension) = (*self.host).get_extension else { return };
            let extension: *const clap_host_latency = get_extension(self.host, CLAP_EXT_LATENCY.as_ptr()).cast();
            if let Some(changed) = extension.as_ref().and_then(|e| e.changed) {
                changed(self.host);
            }
        }
    }

    /// The delay as the framework tells it now.
    ///
    /// # Safety
    /// The instance lives.
    unsafe fn delay_now(&self) -> u32 {
        // SAFETY: the framework's table lives as long as the instance, and its extension is of this kind.
        unsafe {
            let Some(get_extension) = (*self.inner).get_extension else { return 0 };
            let extension: *const clap_plugin_latency = get_extension(self.inner, CLAP_EXT_LATENCY.as_ptr()).cast();
            extension.as_ref().and_then(|e| e.get).map_or(0, |get| get(self.inner))
        }
    }
}

/// # Safety
/// `plugin` is one that [`create_plugin`] gave and `destroy` has not taken back.
unsafe fn door<'a>(plugin: *const clap_plugin) -> &'a Door {
    // SAFETY: the table is the door's first field.
    unsafe { &*plugin.cast::<Door>() }
}

unsafe extern "C" fn activate(plugin: *const clap_plugin, rate_hz: f64, least: u32, most: u32) -> bool {
    // SAFETY: the host calls with its own instance.
    unsafe {
        let door = door(plugin);
        door.activating.store(true, Ordering::Release);
        let known = door.delay_now();
        // As if the framework had known it before: it would ask for a restart otherwise.
        let wrapper: *const Wrapper<Notefront> = (*door.inner).plugin_data.cast_const().cast();
        let listener = move |delay| (*wrapper).current_latency.store(delay, Ordering::SeqCst);
        let is_active = activation::heard_by(listener, || {
            (*door.inner).activate.is_some_and(|activate| activate(door.inner, rate_hz, least, most))
        });
        door.delay.store(door.delay_now(), Ordering::Release);
        // One that the framework knew before is told by the framework.
        if door.delay_now() != known {
            door.tell_host();
        }
        door.activating.store(false, Ordering::Release);
        is_active
    }
}

unsafe extern "C" fn deactivate(plugin: *const clap_plugin) {
    // SAFETY: the host calls with its own instance, on its main thread.
    unsafe {
        let inner = door(plugin).inner;
        if let Some(on_main_thread) = (*inner).on_main_thread {
            on_main_thread(inner);
        }
        if let Some(deactivate) = (*inner).deactivate {
            deactivate(inner);
        }
    }
}

unsafe extern "C" fn destroy(plugin: *const clap_plugin) {
    // SAFETY: the host gives the instance back; the framework knows its own table only.
    unsafe {
        let door = Box::from_raw(plugin.cast_mut().cast::<Door>());
        if let Some(destroy) = (*door.inner).destroy {
            destroy(door.inner);
        }
    }
}

unsafe extern "C" fn get_extension(plugin: *const clap_plugin, id: *const c_char) -> *const c_void {
    // SAFETY: the host calls with its own instance and a text.
    unsafe {
        if !id.is_null() && CStr::from_ptr(id) == CLAP_EXT_LATENCY {
            return (&raw const LATENCY).cast();
        }
        let inner = door(plugin).inner;
        (*inner).get_extension.map_or(std::ptr::null(), |get_extension| get_extension(inner, id))
    }
}

unsafe extern "C" fn latency(plugin: *const clap_plugin) -> u32 {
    // SAFETY: the host calls with its own instance.
    unsafe {
        let door = door(plugin);
        if door.activating.load(Ordering::Acquire) { door.delay_now() } else { door.delay.load(Ordering::Acquire) }
    }
}
